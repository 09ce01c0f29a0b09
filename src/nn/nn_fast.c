/* Convolutions through oneDNN's C API. Activations stay channels-last in our own memory, so the few other layers are
 * plain loops; weights are reordered once into whatever layout oneDNN likes best. */
#include <dnnl.h>
#include <stdlib.h>

#include "private/nn_table.h"

typedef struct fast_conv {
  dnnl_primitive_t prim;
  dnnl_memory_t src, weights, bias, dst;
} fast_conv;

struct nn_fast {
  dnnl_engine_t engine;
  dnnl_stream_t stream;
  int layers;
  fast_conv conv[NN_MAX_LAYERS];
};

static int make_memory(nn_fast *f, const dnnl_dims_t dims, int nd, dnnl_format_tag_t tag, const void *data,
                       dnnl_memory_t *out) {
  dnnl_memory_desc_t md;
  if (dnnl_memory_desc_init_by_tag(&md, nd, dims, dnnl_f32, tag) != dnnl_success) return 1;
  return dnnl_memory_create(out, &md, f->engine, (void *)(uintptr_t)data) != dnnl_success;
}

/* Copies the weights [out][in][ky][kx] into the layout the primitive asked for. */
static int place_weights(nn_fast *f, const nn_layer *l, const dnnl_memory_desc_t *want, fast_conv *c) {
  const dnnl_dims_t dims = {l->cout, l->cin, l->kernel, l->kernel};
  dnnl_memory_t plain = NULL;
  dnnl_primitive_desc_t rd = NULL;
  dnnl_primitive_t r = NULL;
  int bad = make_memory(f, dims, 4, dnnl_oihw, l->weights, &plain) ||
            dnnl_memory_create(&c->weights, want, f->engine, DNNL_MEMORY_ALLOCATE) != dnnl_success;
  if (!bad) {
    const dnnl_memory_desc_t *from = NULL;
    bad = dnnl_memory_get_memory_desc(plain, &from) != dnnl_success ||
          dnnl_reorder_primitive_desc_create(&rd, from, f->engine, want, f->engine, NULL) != dnnl_success ||
          dnnl_primitive_create(&r, rd) != dnnl_success;
  }
  if (!bad) {
    dnnl_exec_arg_t a[] = {{DNNL_ARG_FROM, plain}, {DNNL_ARG_TO, c->weights}};
    bad = dnnl_primitive_execute(r, f->stream, 2, a) != dnnl_success || dnnl_stream_wait(f->stream) != dnnl_success;
  }
  if (r) dnnl_primitive_destroy(r);
  if (rd) dnnl_primitive_desc_destroy(rd);
  if (plain) dnnl_memory_destroy(plain);
  return bad;
}

static int make_conv(nn_fast *f, const nn_layer *l, const nn_tensor *s, const nn_tensor *d, fast_conv *c) {
  const dnnl_dims_t sd = {1, s->c, s->h, s->w}, wd = {l->cout, l->cin, l->kernel, l->kernel}, bd = {l->cout},
                    dd = {1, d->c, d->h, d->w}, stride = {l->stride, l->stride};
  const int r = l->kernel / 2;
  const dnnl_dims_t pad = {r, r}, pad_end = {(d->h - 1) * l->stride + l->kernel - s->h - r,
                                             (d->w - 1) * l->stride + l->kernel - s->w - r};
  dnnl_memory_desc_t smd, wmd, bmd, dmd;
  dnnl_convolution_desc_t cd;
  dnnl_primitive_attr_t attr = NULL;
  dnnl_post_ops_t ops = NULL;
  dnnl_primitive_desc_t pd = NULL;
  int bad = dnnl_memory_desc_init_by_tag(&smd, 4, sd, dnnl_f32, dnnl_nhwc) != dnnl_success ||
            dnnl_memory_desc_init_by_tag(&wmd, 4, wd, dnnl_f32, dnnl_format_tag_any) != dnnl_success ||
            dnnl_memory_desc_init_by_tag(&bmd, 1, bd, dnnl_f32, dnnl_x) != dnnl_success ||
            dnnl_memory_desc_init_by_tag(&dmd, 4, dd, dnnl_f32, dnnl_nhwc) != dnnl_success ||
            dnnl_convolution_forward_desc_init(&cd, dnnl_forward_inference, dnnl_convolution_direct, &smd, &wmd, &bmd,
                                               &dmd, stride, pad, pad_end) != dnnl_success ||
            dnnl_primitive_attr_create(&attr) != dnnl_success || dnnl_post_ops_create(&ops) != dnnl_success;
  if (!bad && l->relu) bad = dnnl_post_ops_append_eltwise(ops, 1.0f, dnnl_eltwise_relu, 0.0f, 0.0f) != dnnl_success;
  bad = bad || dnnl_primitive_attr_set_post_ops(attr, ops) != dnnl_success ||
        dnnl_primitive_desc_create(&pd, &cd, attr, f->engine, NULL) != dnnl_success ||
        dnnl_primitive_create(&c->prim, pd) != dnnl_success ||
        place_weights(f, l, dnnl_primitive_desc_query_md(pd, dnnl_query_weights_md, 0), c) ||
        make_memory(f, sd, 4, dnnl_nhwc, s->data, &c->src) || make_memory(f, bd, 1, dnnl_x, l->bias, &c->bias) ||
        make_memory(f, dd, 4, dnnl_nhwc, d->data, &c->dst);
  if (pd) dnnl_primitive_desc_destroy(pd);
  if (ops) dnnl_post_ops_destroy(ops);
  if (attr) dnnl_primitive_attr_destroy(attr);
  return bad;
}

nn_fast *nn_fast_new(const struct ogv_net *n, nn_tensor *tensors) {
  nn_fast *f = calloc(1, sizeof *f);
  if (!f) return NULL;
  f->layers = n->layers;
  int bad = dnnl_engine_create(&f->engine, dnnl_cpu, 0) != dnnl_success ||
            dnnl_stream_create(&f->stream, f->engine, dnnl_stream_default_flags) != dnnl_success;
  for (int i = 0; i < n->layers && !bad; i++)
    if (n->layer[i].op == NN_CONV)
      bad = make_conv(f, &n->layer[i], &tensors[n->layer[i].src], &tensors[n->layer[i].dst], &f->conv[i]);
  if (bad) {
    nn_fast_free(f);
    return NULL;
  }
  return f;
}

void nn_fast_free(nn_fast *f) {
  if (!f) return;
  for (int i = 0; i < f->layers; i++) {
    fast_conv *c = &f->conv[i];
    if (c->prim) dnnl_primitive_destroy(c->prim);
    dnnl_memory_t m[] = {c->src, c->weights, c->bias, c->dst};
    for (int k = 0; k < 4; k++)
      if (m[k]) dnnl_memory_destroy(m[k]);
  }
  if (f->stream) dnnl_stream_destroy(f->stream);
  if (f->engine) dnnl_engine_destroy(f->engine);
  free(f);
}

int nn_fast_conv(nn_fast *f, int layer) {
  fast_conv *c = &f->conv[layer];
  dnnl_exec_arg_t a[] = {
      {DNNL_ARG_SRC, c->src}, {DNNL_ARG_WEIGHTS, c->weights}, {DNNL_ARG_BIAS, c->bias}, {DNNL_ARG_DST, c->dst}};
  return dnnl_primitive_execute(c->prim, f->stream, 4, a) != dnnl_success;
}

int nn_fast_wait(nn_fast *f) { return dnnl_stream_wait(f->stream) != dnnl_success; }

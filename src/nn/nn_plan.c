/* A network prepared for one input size: the sizes of all tensors, their memory, and the order of work. */
#include <stdlib.h>
#include <string.h>

#include "core_arena.h"
#include "private/nn_table.h"

struct ogv_net_plan {
  const ogv_net *net;
  ogv_net_backend backend;
  ogv_arena *arena;
  nn_fast *fast;
  nn_tensor tensor[NN_MAX_TENSORS];
};

static ogv_status size_tensors(ogv_net_plan *p, int width, int height, ogv_error *err) {
  const ogv_net *n = p->net;
  p->tensor[0] = (nn_tensor){width, height, n->in_channels, NULL};
  for (int i = 0; i < n->layers; i++) {
    const nn_layer *l = &n->layer[i];
    const nn_tensor *s = &p->tensor[l->src];
    nn_tensor *d = &p->tensor[l->dst];
    d->c = l->cout;
    if (l->op == NN_CONV) {
      d->w = (s->w - 1) / l->stride + 1;
      d->h = (s->h - 1) / l->stride + 1;
    } else if (l->op == NN_MEAN) {
      d->w = d->h = 1;
    } else if (l->op == NN_ADD) {
      const nn_tensor *a = &p->tensor[l->add];
      d->w = s->w;
      d->h = s->h;
      if (a->w != s->w || a->h != s->h)
        return ogv_fail(err, OGV_E_INVALID, "Use the input size that the network was made for.",
                        "layer %d adds %d x %d to %d x %d (input %d x %d)", i, a->w, a->h, s->w, s->h, width, height);
    } else {
      d->w = 2 * s->w;
      d->h = 2 * s->h;
      if (p->tensor[l->add].w != d->w || p->tensor[l->add].h != d->h)
        return ogv_fail(err, OGV_E_INVALID, "Use a size that is a multiple of 32.",
                        "the network does not fit an input of %d x %d", width, height);
    }
  }
  for (int i = 0; i < n->tensors; i++) {
    nn_tensor *t = &p->tensor[i];
    if (t->c == 0) continue;
    t->data = ogv_arena_alloc(p->arena, (size_t)t->w * (size_t)t->h * (size_t)t->c, sizeof(float));
    if (!t->data) return ogv_fail(err, OGV_E_MEMORY, NULL, "no memory to run the network on %d x %d", width, height);
  }
  return OGV_OK;
}

ogv_status ogv_net_plan_new(const ogv_net *n, int width, int height, ogv_net_backend backend, ogv_net_plan **out,
                            ogv_error *err) {
  *out = NULL;
  if (width < 8 || height < 8 || width > 2048 || height > 2048)
    return ogv_fail(err, OGV_E_INVALID, NULL, "a network input of %d x %d is out of range", width, height);
  ogv_net_plan *p = calloc(1, sizeof *p);
  if (p) p->arena = ogv_arena_new((size_t)1 << 30);
  if (!p || !p->arena) {
    free(p);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "no memory to run the network");
  }
  p->net = n;
  p->backend = backend;
  ogv_status s = size_tensors(p, width, height, err);
  if (s != OGV_OK) {
    ogv_net_plan_free(p);
    return s;
  }
  if (backend == OGV_NET_FAST) {
    p->fast = nn_fast_new(n, p->tensor);
    if (!p->fast) p->backend = OGV_NET_PLAIN;
  }
  *out = p;
  return OGV_OK;
}

void ogv_net_plan_free(ogv_net_plan *p) {
  if (!p) return;
  nn_fast_free(p->fast);
  ogv_arena_free(p->arena);
  free(p);
}

ogv_net_backend ogv_net_plan_backend(const ogv_net_plan *p) { return p->backend; }
float *ogv_net_plan_input(ogv_net_plan *p) { return p->tensor[0].data; }

ogv_status ogv_net_plan_run(ogv_net_plan *p, ogv_error *err) {
  for (int i = 0; i < p->net->layers; i++) {
    const nn_layer *l = &p->net->layer[i];
    nn_tensor *d = &p->tensor[l->dst];
    const nn_tensor *s = &p->tensor[l->src];
    int bad = 0;
    if (l->op == NN_CONV) {
      if (p->fast) bad = nn_fast_conv(p->fast, i);
      else nn_plain_conv(l, s, d);
    } else {
      if (p->fast) bad = nn_fast_wait(p->fast);
      if (l->op == NN_MEAN) nn_mean(s, d);
      else if (l->op == NN_ADD) nn_add(s, &p->tensor[l->add], d);
      else nn_up2_add(s, &p->tensor[l->add], d);
    }
    if (bad) return ogv_fail(err, OGV_E_INTERNAL, NULL, "oneDNN failed in layer %d", i);
  }
  if (p->fast && nn_fast_wait(p->fast)) return ogv_fail(err, OGV_E_INTERNAL, NULL, "oneDNN failed to finish");
  return OGV_OK;
}

ogv_status ogv_net_plan_output(const ogv_net_plan *p, int index, ogv_net_view *out, ogv_error *err) {
  if (index < 0 || index >= p->net->outputs)
    return ogv_fail(err, OGV_E_INVALID, NULL, "the network has %d outputs, not %d", p->net->outputs, index + 1);
  const nn_tensor *t = &p->tensor[p->net->output[index]];
  *out = (ogv_net_view){t->w, t->h, t->c, t->data};
  return OGV_OK;
}

#include "nn_net.h"

#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "private/nn_table.h"

static const char damaged[] = "The file of weights is damaged or of another version; install Ogive's models again.";

static uint32_t le32(const uint8_t *p) {
  return (uint32_t)p[0] | (uint32_t)p[1] << 8 | (uint32_t)p[2] << 16 | (uint32_t)p[3] << 24;
}

static float le_float(const uint8_t *p) {
  const uint32_t bits = le32(p);
  float f;
  memcpy(&f, &bits, sizeof f);
  return f;
}

/* The packed numbers of a file, and what of them has been unpacked so far. */
typedef struct nn_blob {
  const uint8_t *bytes;
  size_t size, used; /* bytes; no more is unpacked than there is, or a small file could ask for endless memory */
  float *values;     /* room for `size` of them */
  size_t unpacked;
} nn_blob;

static bool has_room(const nn_blob *b, size_t at, size_t bytes) { return at <= b->size && bytes <= b->size - at; }

/* Unpacks weights and biases of a convolution. at: offsets of weights, biases, scales. NULL, or what is wrong. */
static const char *unpack(nn_blob *b, const size_t at[3], nn_layer *l) {
  const size_t out = (size_t)l->cout, each = (size_t)l->cin * (size_t)(l->kernel * l->kernel);
  if (at[1] % 4 || at[2] % 4 || !has_room(b, at[0], out * each) || !has_room(b, at[1], out * 4) ||
      !has_room(b, at[2], out * 4))
    return "points outside the weights";
  b->used += out * (each + 8);
  if (b->used > b->size) return "uses weights of another layer";
  float *w = b->values + b->unpacked, *bias = w + out * each;
  for (size_t o = 0; o < out; o++) {
    const float scale = le_float(b->bytes + at[2] + 4 * o);
    if (!(scale >= 0) || !isfinite(128 * scale)) return "has a scale that is negative or not a number";
    bias[o] = le_float(b->bytes + at[1] + 4 * o);
    if (!isfinite(bias[o])) return "has a bias that is not a number";
    const uint8_t *q = b->bytes + at[0] + o * each;
    for (size_t i = 0; i < each; i++) w[o * each + i] = scale * (float)(int8_t)q[i];
  }
  l->weights = w;
  l->bias = bias;
  b->unpacked += out * (each + 1);
  return NULL;
}

static const char *read_conv(const int32_t *v, nn_blob *blob, nn_layer *l) {
  if (l->kernel < 1 || l->kernel > 7 || !(l->kernel & 1) || l->stride < 1 || l->stride > 2)
    return "has a kernel or stride that is not supported";
  const size_t at[3] = {(uint32_t)v[9], (uint32_t)v[10], (uint32_t)v[11]};
  return unpack(blob, at, l);
}

/* Reads one row and checks it against what is known of the tensors so far (their channels; 0 = not made yet). */
static ogv_status read_layer(const uint8_t *row, int index, int *channels, int tensors, nn_blob *blob, const char *name,
                             nn_layer *l, ogv_error *err) {
  int32_t v[12];
  for (int i = 0; i < 12; i++) v[i] = (int32_t)le32(row + 4 * i);
  *l = (nn_layer){.op = v[0],
                  .src = v[1],
                  .add = v[2],
                  .dst = v[3],
                  .cin = v[4],
                  .cout = v[5],
                  .kernel = v[6],
                  .stride = v[7],
                  .relu = v[8]};
  const bool sum = l->op == NN_UP2_ADD || l->op == NN_ADD;
  const char *bad = NULL;
  if (l->src < 0 || l->src >= tensors || channels[l->src] == 0) bad = "reads a tensor that is not there";
  else if (l->dst <= 0 || l->dst >= tensors || channels[l->dst] != 0)
    bad = "writes a tensor twice or outside the table";
  else if (l->cin != channels[l->src] || l->cout < 1 || l->cout > NN_MAX_CHANNELS) bad = "has wrong channels";
  else if (sum && (l->add < 0 || l->add >= tensors || channels[l->add] != l->cin || l->cout != l->cin))
    bad = "adds tensors that do not fit";
  else if (l->op == NN_MEAN && l->cout != l->cin) bad = "has wrong channels";
  else if (l->op == NN_CONV) bad = read_conv(v, blob, l);
  else if (!sum && l->op != NN_MEAN) bad = "is of an unknown kind";
  else if (l->relu) bad = "asks for an activation that only a convolution has";
  if (bad) return ogv_fail(err, OGV_E_CORRUPT, damaged, "%s: layer %d %s", name, index, bad);
  channels[l->dst] = l->cout;
  return OGV_OK;
}

ogv_status ogv_net_open(const void *data, size_t size, const char *name, ogv_net **out, ogv_error *err) {
  const uint8_t *p = data;
  enum { HEAD = 8 + 16 + 16 };
  *out = NULL;
  if (size < HEAD || memcmp(p, "OGVNET2\n", 8))
    return ogv_fail(err, OGV_E_CORRUPT, damaged, "%s: not a file of weights", name);
  uint32_t layers = le32(p + 8), tensors = le32(p + 12), in = le32(p + 16), outputs = le32(p + 20);
  if (!layers || layers > NN_MAX_LAYERS || tensors < 2 || tensors > NN_MAX_TENSORS || !in || in > 16 || !outputs ||
      outputs > NN_MAX_OUTPUTS || size < HEAD + (size_t)layers * 48 + 8)
    return ogv_fail(err, OGV_E_CORRUPT, damaged, "%s: the table of layers is cut short or too large", name);
  const uint8_t *rows = p + HEAD, *tail = rows + (size_t)layers * 48;
  size_t blob_bytes = le32(tail);
  if (size != HEAD + (size_t)layers * 48 + 8 + blob_bytes)
    return ogv_fail(err, OGV_E_CORRUPT, damaged, "%s: the weights are cut short", name);
  ogv_net *n = calloc(1, sizeof *n);
  if (n) n->values = malloc(blob_bytes * sizeof(float) + 1);
  if (!n || !n->values) {
    ogv_net_free(n);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "%s: no memory for the weights", name);
  }
  n->layers = (int)layers;
  n->tensors = (int)tensors;
  n->in_channels = (int)in;
  n->outputs = (int)outputs;
  nn_blob blob = {.bytes = tail + 8, .size = blob_bytes, .values = n->values};
  int channels[NN_MAX_TENSORS] = {(int)in};
  ogv_status s = OGV_OK;
  for (int i = 0; i < n->layers && s == OGV_OK; i++)
    s = read_layer(rows + 48 * i, i, channels, n->tensors, &blob, name, &n->layer[i], err);
  n->parameters = blob.unpacked;
  for (int i = 0; i < n->outputs && s == OGV_OK; i++) {
    n->output[i] = (int)le32(p + 24 + 4 * i);
    if (n->output[i] < 0 || n->output[i] >= n->tensors || channels[n->output[i]] == 0)
      s = ogv_fail(err, OGV_E_CORRUPT, damaged, "%s: output %d is not made by any layer", name, i);
  }
  if (s != OGV_OK) {
    ogv_net_free(n);
    return s;
  }
  *out = n;
  return OGV_OK;
}

void ogv_net_free(ogv_net *n) {
  if (!n) return;
  free(n->values);
  free(n);
}

size_t ogv_net_parameters(const ogv_net *n) { return n->parameters; }
int ogv_net_input_channels(const ogv_net *n) { return n->in_channels; }

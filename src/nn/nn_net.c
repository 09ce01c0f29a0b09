#include "nn_net.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "private/nn_table.h"

static const char damaged[] = "The file of weights is damaged or of another version; install Ogive's models again.";

static float half_to_float(uint16_t h) {
  uint32_t sign = (uint32_t)(h >> 15) << 31, e = (h >> 10) & 31u, m = h & 1023u, bits;
  if (e == 0) { /* zero and subnormal: exact in float */
    float v = (float)m * 0x1p-24f;
    return sign ? -v : v;
  }
  bits = e == 31 ? (sign | 0x7f800000u | (m << 13)) : (sign | ((e + 112u) << 23) | (m << 13));
  float f;
  memcpy(&f, &bits, sizeof f);
  return f;
}

static uint32_t le32(const uint8_t *p) {
  return (uint32_t)p[0] | (uint32_t)p[1] << 8 | (uint32_t)p[2] << 16 | (uint32_t)p[3] << 24;
}

/* Reads one row and checks it against what is known of the tensors so far (their channels; 0 = not made yet). */
static ogv_status read_layer(const uint8_t *row, int index, int *channels, int tensors, size_t blob_bytes,
                             const float *blob, const char *name, nn_layer *l, ogv_error *err) {
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
  const char *bad = NULL;
  if (l->src < 0 || l->src >= tensors || channels[l->src] == 0) bad = "reads a tensor that is not there";
  else if (l->dst <= 0 || l->dst >= tensors || channels[l->dst] != 0)
    bad = "writes a tensor twice or outside the table";
  else if (l->cin != channels[l->src] || l->cout < 1 || l->cout > NN_MAX_CHANNELS) bad = "has wrong channels";
  else if (l->op == NN_UP2_ADD && (l->add < 0 || l->add >= tensors || channels[l->add] != l->cin || l->cout != l->cin))
    bad = "adds tensors that do not fit";
  else if (l->op == NN_MEAN && l->cout != l->cin) bad = "has wrong channels";
  else if (l->op == NN_CONV) {
    size_t need = 0;
    if (l->kernel < 1 || l->kernel > 7 || !(l->kernel & 1) || l->stride < 1 || l->stride > 2)
      bad = "has a kernel or stride that is not supported";
    else {
      need = (size_t)l->cin * (size_t)l->cout * (size_t)(l->kernel * l->kernel) * 2;
      size_t w = (uint32_t)v[9], b = (uint32_t)v[10];
      if (w % 2 || b % 2 || w > blob_bytes || need > blob_bytes - w || b > blob_bytes ||
          (size_t)l->cout * 2 > blob_bytes - b)
        bad = "points outside the weights";
      else {
        l->weights = blob + w / 2;
        l->bias = blob + b / 2;
      }
    }
  } else if (l->op != NN_UP2_ADD && l->op != NN_MEAN) bad = "is of an unknown kind";
  if (bad) return ogv_fail(err, OGV_E_CORRUPT, damaged, "%s: layer %d %s", name, index, bad);
  channels[l->dst] = l->cout;
  return OGV_OK;
}

ogv_status ogv_net_open(const void *data, size_t size, const char *name, ogv_net **out, ogv_error *err) {
  const uint8_t *p = data;
  enum { HEAD = 8 + 16 + 16 };
  *out = NULL;
  if (size < HEAD || memcmp(p, "OGVNET1\n", 8))
    return ogv_fail(err, OGV_E_CORRUPT, damaged, "%s: not a file of weights", name);
  uint32_t layers = le32(p + 8), tensors = le32(p + 12), in = le32(p + 16), outputs = le32(p + 20);
  if (!layers || layers > NN_MAX_LAYERS || tensors < 2 || tensors > NN_MAX_TENSORS || !in || in > 16 || !outputs ||
      outputs > NN_MAX_OUTPUTS || size < HEAD + (size_t)layers * 48 + 8)
    return ogv_fail(err, OGV_E_CORRUPT, damaged, "%s: the table of layers is cut short or too large", name);
  const uint8_t *rows = p + HEAD, *tail = rows + (size_t)layers * 48;
  size_t blob_bytes = le32(tail);
  if (blob_bytes % 2 || size != HEAD + (size_t)layers * 48 + 8 + blob_bytes)
    return ogv_fail(err, OGV_E_CORRUPT, damaged, "%s: the weights are cut short", name);
  ogv_net *n = calloc(1, sizeof *n);
  if (n) n->blob = malloc(blob_bytes / 2 * sizeof(float) + 1);
  if (!n || !n->blob) {
    ogv_net_free(n);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "%s: no memory for the weights", name);
  }
  n->layers = (int)layers;
  n->tensors = (int)tensors;
  n->in_channels = (int)in;
  n->outputs = (int)outputs;
  n->parameters = blob_bytes / 2;
  for (size_t i = 0; i < n->parameters; i++)
    n->blob[i] = half_to_float((uint16_t)(tail[8 + 2 * i] | tail[9 + 2 * i] << 8));
  int channels[NN_MAX_TENSORS] = {(int)in};
  ogv_status s = OGV_OK;
  for (int i = 0; i < n->layers && s == OGV_OK; i++)
    s = read_layer(rows + 48 * i, i, channels, n->tensors, blob_bytes, n->blob, name, &n->layer[i], err);
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
  free(n->blob);
  free(n);
}

size_t ogv_net_parameters(const ogv_net *n) { return n->parameters; }
int ogv_net_input_channels(const ogv_net *n) { return n->in_channels; }

/* What the parts of nn share: the checked table of layers. */
#ifndef NN_TABLE_H
#define NN_TABLE_H

#include <stdint.h>

#include "nn_net.h"

enum { NN_CONV = 1, NN_UP2_ADD = 2, NN_MEAN = 3, NN_ADD = 4 };
enum { NN_MAX_LAYERS = 256, NN_MAX_TENSORS = 257, NN_MAX_CHANNELS = 1024, NN_MAX_OUTPUTS = 4 };

typedef struct nn_layer {
  int op, src, add, dst, cin, cout, kernel, stride, relu;
  const float *weights; /* [out][in][ky][kx] */
  const float *bias;    /* [out] */
} nn_layer;

struct ogv_net {
  int layers, tensors, in_channels, outputs;
  int output[NN_MAX_OUTPUTS];
  nn_layer layer[NN_MAX_LAYERS];
  float *values; /* all weights and biases, unpacked */
  size_t parameters;
};

typedef struct nn_tensor {
  int w, h, c;
  float *data;
} nn_tensor;

/* One layer, plainly. */
void nn_plain_conv(const nn_layer *l, const nn_tensor *src, nn_tensor *dst);
void nn_up2_add(const nn_tensor *src, const nn_tensor *add, nn_tensor *dst);
void nn_add(const nn_tensor *src, const nn_tensor *add, nn_tensor *dst);
void nn_mean(const nn_tensor *src, nn_tensor *dst);

/* oneDNN convolutions of one plan; NULL when it cannot be made. */
typedef struct nn_fast nn_fast;
nn_fast *nn_fast_new(const struct ogv_net *n, nn_tensor *tensors);
void nn_fast_free(nn_fast *f);
int nn_fast_conv(nn_fast *f, int layer); /* 0 when done */
int nn_fast_wait(nn_fast *f);            /* 0 when everything queued is finished */

#endif

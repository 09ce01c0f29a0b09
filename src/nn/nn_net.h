/* Running a small convolutional network on the CPU: a flat file of weights and a table of layers, nothing else.
 *
 * A network is read once and shared by any number of threads. A plan is a network prepared for one input size; it owns
 * its buffers and serves one thread at a time. Tensors are float32, row by row, channels last (H x W x C).
 *
 * File (little endian): "OGVNET2\n"; uint32 layers, tensors, input channels, outputs; int32 output tensor ids [4]; then
 * a row of 12 int32 for each layer (op, source, second source or -1, destination, channels in, channels out, kernel,
 * stride, relu, weight offset, bias offset, scale offset), offsets in bytes from the start of the blob; uint32 blob
 * bytes, 0; then the blob. Tensor 0 is the input. Written by training/export.py.
 * Ops: 1 convolution, kernel / 2 zeros around; 2 source doubled in size by repeating, plus second source; 3 mean over
 * the whole map; 4 source plus second source, of one size. Only a convolution uses the last six numbers.
 * A convolution's weights are int8 [out][in][ky][kx], to be multiplied by the scale of their output channel; scales and
 * biases are float32 [out], at offsets that are multiples of 4. Layers may not ask for more than the blob holds, taken
 * together. */
#ifndef NN_NET_H
#define NN_NET_H

#include <stddef.h>

#include "core_status.h"

typedef struct ogv_net ogv_net;
typedef struct ogv_net_plan ogv_net_plan;

/* FAST uses oneDNN; PLAIN is the short, slow reference that FAST is tested against, and what runs where oneDNN cannot.
 */
typedef enum ogv_net_backend { OGV_NET_FAST = 0, OGV_NET_PLAIN = 1 } ogv_net_backend;

/* Checks the whole table (OGV_E_CORRUPT names the layer and what is wrong) and unpacks the weights to float32. `name`
 * goes into messages; data may lie at any address and is not needed afterwards. Free with ogv_net_free. */
ogv_status ogv_net_open(const void *data, size_t size, const char *name, ogv_net **out, ogv_error *err);
void ogv_net_free(ogv_net *n);               /* NULL is allowed; plans of it must be gone */
size_t ogv_net_parameters(const ogv_net *n); /* weights and biases; scales are not counted */
int ogv_net_input_channels(const ogv_net *n);

/* width and height of the input, each 8..2048 and such that every doubling meets its partner (multiples of 32 are safe;
 * OGV_E_INVALID otherwise). FAST falls back to PLAIN when oneDNN refuses. Free with ogv_net_plan_free, before the net.
 */
ogv_status ogv_net_plan_new(const ogv_net *n, int width, int height, ogv_net_backend backend, ogv_net_plan **out,
                            ogv_error *err);
void ogv_net_plan_free(ogv_net_plan *p);
ogv_net_backend ogv_net_plan_backend(const ogv_net_plan *p);

/* The input buffer, height*width*channels floats, to be filled before each run. */
float *ogv_net_plan_input(ogv_net_plan *p);
ogv_status ogv_net_plan_run(ogv_net_plan *p, ogv_error *err);

typedef struct ogv_net_view {
  int width, height, channels;
  const float *data; /* belongs to the plan; valid until its next run */
} ogv_net_view;
/* Output `index` in the order of the file. OGV_E_INVALID when there is none. */
ogv_status ogv_net_plan_output(const ogv_net_plan *p, int index, ogv_net_view *out, ogv_error *err);

#endif

/* The layers written out plainly: what the fast ones are tested against, and the fallback. */
#include "private/nn_table.h"

void nn_plain_conv(const nn_layer *l, const nn_tensor *src, nn_tensor *dst) {
  const int k = l->kernel, r = k / 2;
  for (int y = 0; y < dst->h; y++)
    for (int x = 0; x < dst->w; x++)
      for (int o = 0; o < l->cout; o++) {
        double sum = l->bias[o];
        for (int ky = 0; ky < k; ky++) {
          int sy = y * l->stride + ky - r;
          if (sy < 0 || sy >= src->h) continue;
          for (int kx = 0; kx < k; kx++) {
            int sx = x * l->stride + kx - r;
            if (sx < 0 || sx >= src->w) continue;
            const float *in = src->data + ((long)sy * src->w + sx) * src->c;
            const float *w = l->weights + ((long)o * l->cin * k + ky) * k + kx;
            for (int i = 0; i < l->cin; i++) sum += (double)in[i] * (double)w[(long)i * k * k];
          }
        }
        if (l->relu && sum < 0) sum = 0;
        dst->data[((long)y * dst->w + x) * dst->c + o] = (float)sum;
      }
}

void nn_up2_add(const nn_tensor *src, const nn_tensor *add, nn_tensor *dst) {
  const int c = dst->c;
  for (int y = 0; y < dst->h; y++)
    for (int x = 0; x < dst->w; x++) {
      const float *s = src->data + ((long)(y / 2) * src->w + x / 2) * c;
      const long at = ((long)y * dst->w + x) * c;
      for (int i = 0; i < c; i++) dst->data[at + i] = s[i] + add->data[at + i];
    }
}

void nn_add(const nn_tensor *src, const nn_tensor *add, nn_tensor *dst) {
  const long n = (long)dst->w * dst->h * dst->c;
  for (long i = 0; i < n; i++) dst->data[i] = src->data[i] + add->data[i];
}

void nn_mean(const nn_tensor *src, nn_tensor *dst) {
  const long n = (long)src->w * src->h;
  for (int i = 0; i < src->c; i++) {
    double sum = 0;
    for (long j = 0; j < n; j++) sum += (double)src->data[j * src->c + i];
    dst->data[i] = (float)(sum / (double)n);
  }
}

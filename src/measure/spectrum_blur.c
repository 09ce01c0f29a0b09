/* How sharply the picture shows time. */
#include <math.h>

#include "private/spectrum_int.h"

#define FAR 12 /* pixels apart that share no grain in a sharp picture */
#define LEAST 400

/* Mean square of the grey difference between pixels that lie `dc` columns and `dk` rows apart, both within the flow and
 * neither annotation nor at the end of the grey scale. */
static double difference(const spectrum_side *s, int columns, int skip, const double *edge, int dc, int dk) {
  double n = 0;
  int64_t sum = 0;
  for (int c = 0; c + dc < columns; c += 2) {
    int top = (int)(0.8 * fmin(edge[c], edge[c + dc]) - s->first) - dk;
    if (top > s->rows - dk) top = s->rows - dk;
    size_t at = (size_t)c * (size_t)s->rows, step = (size_t)dc * (size_t)s->rows + (size_t)dk;
    const uint8_t *a = s->raw + at, *b = a + step, *x = s->seen + at, *y = x + step;
    for (int k = skip + 2; k < top; k += 3) {
      if (!(x[k] & y[k]) || a[k] > 250 || b[k] > 250) continue;
      int d = a[k] - b[k];
      sum += d * d;
      n++;
    }
  }
  return n < LEAST ? 0 : (double)sum / n;
}

/* A blur of SD s makes the grain of neighbouring pixels alike by exp(-1/(4 s^2)). */
static double blur_of(double near, double far) {
  if (!(far > 4) || near >= far) return 0;
  return sqrt(-1 / (4 * log(fmax(1 - near / far, 1e-6))));
}

double spectrum_blur(const spectrum_box *box, const spectrum_side *side, int skip, const double *edge) {
  int n = box->columns;
  double time = blur_of(difference(side, n, skip, edge, 1, 0), difference(side, n, skip, edge, FAR, 0)),
         velocity = blur_of(difference(side, n, skip, edge, 0, 1), difference(side, n, skip, edge, 0, FAR));
  return fmin(time, velocity);
}

/* Blurring once more shows what blurring does; as much is put back (the first step of the iteration of van Cittert
 * 1931): a round peak gets nearly all that it lost, a pointed one two fifths, none more. */
void spectrum_deblur(double *v, size_t n, double blur, double *work) {
  if (!(blur > 0.2)) return;                        /* changes nothing */
  size_t reach = (size_t)ceil(3 * blur), since = 0; /* columns of flow one way, up to here */
  spectrum_smooth(v, n, blur, work);
  for (size_t c = 0; c < n; c++) work[c] = v[c] - work[c];
  /* v is one place per reach behind: what is read of it has not been changed. */
  for (size_t c = 0; c < n; c++) {
    since = c && v[c] * v[c - 1] > 0 ? since + 1 : 0;
    if (since >= 2 * reach) v[c - reach] += work[c - reach];
  }
}

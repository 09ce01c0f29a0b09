/* Ellipses: the direct least-squares fit, its robust repetition, distance and mean. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "core_sort.h"
#include "imaging_geometry.h"
#include "private/auto_shape.h"

/* Solves the symmetric 3x3 system S x = b for three right-hand sides in the columns of B (in place). */
static bool solve3(double s[3][3], double b[3][3]) {
  for (int k = 0; k < 3; k++) {
    int piv = k;
    for (int i = k + 1; i < 3; i++)
      if (fabs(s[i][k]) > fabs(s[piv][k])) piv = i;
    if (fabs(s[piv][k]) < 1e-12) return false;
    for (int j = 0; j < 3; j++) {
      double t = s[k][j];
      s[k][j] = s[piv][j];
      s[piv][j] = t;
      t = b[k][j];
      b[k][j] = b[piv][j];
      b[piv][j] = t;
    }
    for (int i = 0; i < 3; i++) {
      if (i == k) continue;
      double f = s[i][k] / s[k][k];
      for (int j = 0; j < 3; j++) {
        s[i][j] -= f * s[k][j];
        b[i][j] -= f * b[k][j];
      }
    }
  }
  for (int k = 0; k < 3; k++)
    for (int j = 0; j < 3; j++) b[k][j] /= s[k][k];
  return true;
}

/* Real roots of x^3 + p x^2 + q x + r. */
static int cubic_roots(double p, double q, double r, double *x) {
  double a = q - p * p / 3, b = 2 * p * p * p / 27 - p * q / 3 + r, d = b * b / 4 + a * a * a / 27;
  if (d > 0) {
    double s = sqrt(d), u = cbrt(-b / 2 + s), v = cbrt(-b / 2 - s);
    x[0] = u + v - p / 3;
    return 1;
  }
  double m = 2 * sqrt(fmax(0, -a / 3)), c = m > 0 ? 3 * b / (a * m) : 0;
  double t = acos(fmax(-1, fmin(1, c))) / 3;
  for (int k = 0; k < 3; k++) x[k] = m * cos(t - 2 * M_PI * k / 3) - p / 3;
  return 3;
}

/* Null vector of M - l I by the largest cross product of two rows. */
static void null_vector(double m[3][3], double l, double out[3]) {
  double a[3][3], best = -1;
  for (int i = 0; i < 3; i++)
    for (int j = 0; j < 3; j++) a[i][j] = m[i][j] - (i == j ? l : 0);
  for (int i = 0; i < 3; i++) {
    const double *u = a[i], *v = a[(i + 1) % 3];
    double c[3] = {u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]};
    double n = c[0] * c[0] + c[1] * c[1] + c[2] * c[2];
    if (n > best) {
      best = n;
      memcpy(out, c, sizeof c);
    }
  }
}

/* Conic A x^2 + B xy + C y^2 + D x + E y + F = 0 to an ellipse. */
static bool conic_ellipse(const double k[6], auto_ellipse *e) {
  double den = k[1] * k[1] - 4 * k[0] * k[2];
  if (!(den < 0)) return false;
  e->cx = (2 * k[2] * k[3] - k[1] * k[4]) / den;
  e->cy = (2 * k[0] * k[4] - k[1] * k[3]) / den;
  double num = 2 * (k[0] * k[4] * k[4] + k[2] * k[3] * k[3] - k[1] * k[3] * k[4] + den * k[5]);
  double root = hypot(k[0] - k[2], k[1]);
  double a2 = num * (k[0] + k[2] + root), b2 = num * (k[0] + k[2] - root);
  if (!(a2 > 0 && b2 > 0)) return false;
  e->a = -sqrt(a2) / den;
  e->b = -sqrt(b2) / den;
  e->theta = 0.5 * atan2(-k[1], k[2] - k[0]);
  if (e->b > e->a) {
    double t = e->a;
    e->a = e->b;
    e->b = t;
    e->theta += M_PI / 2;
  }
  while (e->theta > M_PI / 2) e->theta -= M_PI;
  while (e->theta <= -M_PI / 2) e->theta += M_PI;
  return isfinite(e->a) && isfinite(e->b) && e->b > 0;
}

bool auto_ellipse_fit(const double *xy, const double *w, size_t n, auto_ellipse *out) {
  if (n < 6) return false;
  double mx = 0, my = 0, s = 0;
  for (size_t i = 0; i < n; i++) {
    mx += xy[2 * i];
    my += xy[2 * i + 1];
  }
  mx /= (double)n;
  my /= (double)n;
  for (size_t i = 0; i < n; i++) s += hypot(xy[2 * i] - mx, xy[2 * i + 1] - my);
  s /= (double)n;
  if (!(s > 0)) return false;
  double s1[3][3] = {{0}}, s2[3][3] = {{0}}, s3[3][3] = {{0}};
  for (size_t i = 0; i < n; i++) {
    double x = (xy[2 * i] - mx) / s, y = (xy[2 * i + 1] - my) / s, wi = w ? w[i] : 1;
    double q[3] = {x * x, x * y, y * y}, l[3] = {x, y, 1};
    for (int r = 0; r < 3; r++)
      for (int c = 0; c < 3; c++) {
        s1[r][c] += wi * q[r] * q[c];
        s2[r][c] += wi * q[r] * l[c];
        s3[r][c] += wi * l[r] * l[c];
      }
  }
  double t[3][3];
  for (int r = 0; r < 3; r++)
    for (int c = 0; c < 3; c++) t[r][c] = -s2[c][r];
  if (!solve3(s3, t)) return false;
  double m[3][3], r[3][3];
  for (int i = 0; i < 3; i++)
    for (int j = 0; j < 3; j++) {
      r[i][j] = s1[i][j];
      for (int k = 0; k < 3; k++) r[i][j] += s2[i][k] * t[k][j];
    }
  for (int j = 0; j < 3; j++) {
    m[0][j] = r[2][j] / 2;
    m[1][j] = -r[1][j];
    m[2][j] = r[0][j] / 2;
  }
  double tr = m[0][0] + m[1][1] + m[2][2];
  double minors = m[0][0] * m[1][1] - m[0][1] * m[1][0] + m[0][0] * m[2][2] - m[0][2] * m[2][0] + m[1][1] * m[2][2] -
                  m[1][2] * m[2][1];
  double det = m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1]) - m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0]) +
               m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0]);
  double root[3], best[3] = {0}, top = 0;
  int roots = cubic_roots(-tr, minors, -det, root);
  for (int i = 0; i < roots; i++) {
    double v[3] = {0, 0, 0}; /* stays so when the matrix is not finite */
    null_vector(m, root[i], v);
    double norm = v[0] * v[0] + v[1] * v[1] + v[2] * v[2], c = norm > 0 ? (4 * v[0] * v[2] - v[1] * v[1]) / norm : 0;
    if (c > top) {
      top = c;
      memcpy(best, v, sizeof v);
    }
  }
  if (!(top > 0)) return false;
  double k[6] = {best[0], best[1], best[2], 0, 0, 0};
  for (int i = 0; i < 3; i++)
    for (int j = 0; j < 3; j++) k[3 + i] += t[i][j] * best[j];
  if (!conic_ellipse(k, out)) return false;
  out->cx = out->cx * s + mx;
  out->cy = out->cy * s + my;
  out->a *= s;
  out->b *= s;
  return true;
}

double auto_ellipse_distance(const auto_ellipse *e, double x, double y) {
  double c = cos(e->theta), s = sin(e->theta), dx = x - e->cx, dy = y - e->cy;
  double u = (c * dx + s * dy) / e->a, v = (-s * dx + c * dy) / e->b, f = sqrt(u * u + v * v);
  double g = hypot(u / e->a, v / e->b);
  return g > 0 ? (f - 1) * f / g : -e->b;
}

bool auto_ellipse_fit_robust(const double *xy, const double *w, size_t n, auto_ellipse *out, double *rms) {
  double *d = malloc(3 * n * sizeof *d + 1);
  if (!d) return false;
  double *sorted = d + n, *weight = d + 2 * n;
  bool ok = auto_ellipse_fit(xy, w, n, out);
  for (int round = 0; round < 8 && ok; round++) {
    for (size_t i = 0; i < n; i++) sorted[i] = d[i] = fabs(auto_ellipse_distance(out, xy[2 * i], xy[2 * i + 1]));
    qsort(sorted, n, sizeof *sorted, ogv_ascending);
    double s = 1.4826 * sorted[n / 2] + 0.15;
    for (size_t i = 0; i < n; i++) {
      double f = d[i] <= 1.5 * s ? 1 : 1.5 * s / d[i];
      if (d[i] > 4 * s) f *= 0.2;
      weight[i] = f * f * (w ? w[i] : 1);
    }
    ok = auto_ellipse_fit(xy, weight, n, out);
  }
  double sum = 0;
  for (size_t i = 0; i < n && ok; i++) {
    double r = fmin(4, fabs(auto_ellipse_distance(out, xy[2 * i], xy[2 * i + 1])));
    sum += r * r;
  }
  *rms = sqrt(sum / (double)n);
  free(d);
  return ok;
}

double auto_ellipse_perimeter(const auto_ellipse *e) { return ogv_ellipse_perimeter(2 * e->a, 2 * e->b); }

auto_ellipse auto_ellipse_mean(const auto_ellipse *p, const auto_ellipse *q, double weight_of_q) {
  double m[3] = {0, 0, 0};
  for (int k = 0; k < 2; k++) {
    const auto_ellipse *e = k ? q : p;
    double w = k ? weight_of_q : 1 - weight_of_q, c = cos(e->theta), s = sin(e->theta);
    m[0] += w * (e->a * c * c + e->b * s * s);
    m[1] += w * (e->a - e->b) * c * s;
    m[2] += w * (e->a * s * s + e->b * c * c);
  }
  double mean = (m[0] + m[2]) / 2, dev = hypot((m[0] - m[2]) / 2, m[1]);
  return (auto_ellipse){p->cx + weight_of_q * (q->cx - p->cx), p->cy + weight_of_q * (q->cy - p->cy), mean + dev,
                        mean - dev, 0.5 * atan2(2 * m[1], m[0] - m[2])};
}

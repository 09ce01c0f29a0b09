/* A skull is not quite an ellipse: it is narrower in front. The points are described as the ellipse times a radial
 * correction with three harmonics, whose length is what the ellipse's circumference should have been. */
#include <math.h>

#include "private/auto_shape.h"

enum { HARMONICS = 3, TERMS = 1 + 2 * HARMONICS, STEPS = 180 };

static void basis(double t, double *a) {
  a[0] = 1;
  for (int k = 1; k <= HARMONICS; k++) {
    a[2 * k - 1] = cos(k * t);
    a[2 * k] = sin(k * t);
  }
}

/* Solves the symmetric positive system m x = b in place (Cholesky); false when it is singular. */
static bool solve(double m[TERMS][TERMS], double b[TERMS]) {
  for (int i = 0; i < TERMS; i++)
    for (int j = 0; j <= i; j++) {
      double s = m[i][j];
      for (int k = 0; k < j; k++) s -= m[i][k] * m[j][k];
      if (i > j) m[i][j] = s / m[j][j];
      else if (!(s > 1e-12)) return false;
      else m[i][i] = sqrt(s);
    }
  for (int i = 0; i < TERMS; i++) {
    for (int k = 0; k < i; k++) b[i] -= m[i][k] * b[k];
    b[i] /= m[i][i];
  }
  for (int i = TERMS - 1; i >= 0; i--) {
    for (int k = i + 1; k < TERMS; k++) b[i] -= m[k][i] * b[k];
    b[i] /= m[i][i];
  }
  return true;
}

/* Length of the closed curve r(t) times the ellipse with half axes a and b. */
static double length_of(const double *r, double a, double b) {
  double sum = 0, x0 = 0, y0 = 0;
  for (int s = 0; s <= STEPS; s++) {
    const double t = 2 * M_PI * s / STEPS;
    double f[TERMS], rho = 0;
    basis(t, f);
    for (int k = 0; k < TERMS; k++) rho += r[k] * f[k];
    const double x = a * rho * cos(t), y = b * rho * sin(t);
    if (s) sum += hypot(x - x0, y - y0);
    x0 = x;
    y0 = y;
  }
  return sum;
}

double auto_curve_stretch(const auto_ellipse *e, const double *xy, const double *w, size_t n) {
  const double c = cos(e->theta), s = sin(e->theta);
  const double round[TERMS] = {1};
  double m[TERMS][TERMS] = {{0}}, b[TERMS] = {0};
  for (size_t i = 0; i < n; i++) {
    const double dx = xy[2 * i] - e->cx, dy = xy[2 * i + 1] - e->cy;
    const double u = (c * dx + s * dy) / e->a, v = (-s * dx + c * dy) / e->b, r = hypot(u, v);
    double f[TERMS];
    basis(atan2(v, u), f);
    for (int j = 0; j < TERMS; j++) {
      b[j] += w[i] * f[j] * r;
      for (int k = 0; k < TERMS; k++) m[j][k] += w[i] * f[j] * f[k];
    }
  }
  for (int j = 0; j < TERMS; j++) m[j][j] += 1e-3;
  if (!solve(m, b)) return 1;
  const double ratio = length_of(b, e->a, e->b) / length_of(round, e->a, e->b);
  return isfinite(ratio) ? fmin(1.03, fmax(0.97, ratio)) : 1;
}

#include "private/phantom_math.h"

#include <pthread.h>
#include <string.h>

static double from_bits(uint64_t u) {
  double d;
  memcpy(&d, &u, sizeof d);
  return d;
}

double ph_exp(double x) {
  if (x > 700) x = 700;
  if (x < -700) return 0;
  double k = x * 1.44269504088896340736;
  int64_t n = (int64_t)(k + (k < 0 ? -0.5 : 0.5));
  double r = x - (double)n * 6.93147180369123816490e-01 - (double)n * 1.90821492927058770002e-10;
  double term = 1, sum = 1;
  for (int i = 1; i <= 14; i++) {
    term *= r / i;
    sum += term;
  }
  return sum * from_bits((uint64_t)(n + 1023) << 52);
}

double ph_log(double x) {
  if (!(x > 0)) return -700;
  uint64_t u;
  memcpy(&u, &x, sizeof u);
  int e = (int)((u >> 52) & 0x7ff) - 1023;
  double m = from_bits((u & 0xfffffffffffffull) | (1023ull << 52));
  if (m > 1.41421356237309504880) {
    m *= 0.5;
    e++;
  }
  double t = (m - 1) / (m + 1), t2 = t * t, p = 0;
  for (int i = 21; i >= 1; i -= 2) p = p * t2 + 1.0 / i;
  return 2 * t * p + e * 6.93147180369123816490e-01 + e * 1.90821492927058770002e-10;
}

static double sin_small(double r) { /* |r| <= pi/4 */
  double r2 = r * r, p = 0;
  static const double c[] = {
      1, -1.0 / 6, 1.0 / 120, -1.0 / 5040, 1.0 / 362880, -1.0 / 39916800, 1.0 / 6227020800.0, -1.0 / 1307674368000.0};
  for (int i = 7; i >= 0; i--) p = p * r2 + c[i];
  return p * r;
}

static double cos_small(double r) {
  double r2 = r * r, p = 0;
  static const double c[] = {1,
                             -0.5,
                             1.0 / 24,
                             -1.0 / 720,
                             1.0 / 40320,
                             -1.0 / 3628800,
                             1.0 / 479001600.0,
                             -1.0 / 87178291200.0,
                             1.0 / 20922789888000.0};
  for (int i = 8; i >= 0; i--) p = p * r2 + c[i];
  return p;
}

static double sin_quadrant(double x, int add) {
  double k = x * (2 / PH_PI);
  int64_t n = (int64_t)(k + (k < 0 ? -0.5 : 0.5));
  double r = x - (double)n * 1.57079632673412561417e+00 - (double)n * 6.07710050650619224932e-11;
  switch ((n + add) & 3) {
    case 0: return sin_small(r);
    case 1: return cos_small(r);
    case 2: return -sin_small(r);
    default: return -cos_small(r);
  }
}

double ph_sin(double x) { return sin_quadrant(x, 0); }
double ph_cos(double x) { return sin_quadrant(x, 1); }

static double atan_unit(double t) { /* 0 <= t <= 1 */
  /* Two halvings: atan t = 2 atan(t / (1 + sqrt(1 + t^2))). */
  double u = t / (1 + sqrt(1 + t * t));
  u = u / (1 + sqrt(1 + u * u));
  double u2 = u * u, p = 0;
  for (int i = 19; i >= 0; i--) p = p * u2 + ((i & 1) ? -1.0 : 1.0) / (2 * i + 1);
  return 4 * u * p;
}

double ph_atan2(double y, double x) {
  double ax = x < 0 ? -x : x, ay = y < 0 ? -y : y;
  if (ax == 0 && ay == 0) return 0;
  double a = ay <= ax ? atan_unit(ay / ax) : PH_PI / 2 - atan_unit(ax / ay);
  if (x < 0) a = PH_PI - a;
  return y < 0 ? -a : a;
}

double ph_pow(double x, double y) { return x <= 0 ? 0 : ph_exp(y * ph_log(x)); }

double ph_round(double v, int decimals) {
  double s = 1;
  for (int i = 0; i < decimals; i++) s *= 10;
  double k = v * s;
  return (double)(int64_t)(k + (k < 0 ? -0.5 : 0.5)) / s;
}

/* Normal integral from a Taylor series about zero for |z| < 6, enough for the refinement below. */
static double normal_upper(double z) {
  double term = z, sum = z;
  for (int i = 1; i < 120; i++) {
    term *= z * z / (2 * i + 1);
    sum += term;
  }
  return 0.5 - 0.39894228040143267794 * ph_exp(-0.5 * z * z) * sum;
}

double ph_normal_quantile(double p) {
  double q = p < 0.5 ? p : 1 - p;
  double t = sqrt(-2 * ph_log(q));
  /* Start: Abramowitz and Stegun 26.2.23; then Newton steps on the upper tail. */
  double z = t - (2.515517 + t * (0.802853 + t * 0.010328)) / (1 + t * (1.432788 + t * (0.189269 + t * 0.001308)));
  for (int i = 0; i < 3; i++) z += (normal_upper(z) - q) / (0.39894228040143267794 * ph_exp(-0.5 * z * z));
  return p < 0.5 ? -z : z;
}

double ph_ellipse_perimeter(double a, double b) {
  double x = a > b ? a / 2 : b / 2, y = a > b ? b / 2 : a / 2;
  if (y <= 0) return 4 * x;
  double s = 0, w = 1; /* arithmetic-geometric mean; Gauss */
  double p = x, q = y;
  for (int i = 0; i < 40 && p - q > 1e-15 * x; i++) {
    double c = (p - q) / 2, n = (p + q) / 2;
    q = sqrt(p * q);
    p = n;
    s += w * c * c;
    w *= 2;
  }
  return 2 * PH_PI * ((x * x + y * y) / 2 - s) / p;
}

static float gauss_values[PH_GAUSS_N];
static pthread_once_t gauss_once = PTHREAD_ONCE_INIT;
static void gauss_build(void) {
  double s2 = 0;
  for (int i = 0; i < PH_GAUSS_N; i++) {
    double z = ph_normal_quantile((i + 0.5) / PH_GAUSS_N);
    gauss_values[i] = (float)z;
    s2 += z * z;
  }
  float k = (float)(1 / sqrt(s2 / PH_GAUSS_N));
  for (int i = 0; i < PH_GAUSS_N; i++) gauss_values[i] *= k;
}
const float *ph_gauss_table(void) {
  pthread_once(&gauss_once, gauss_build);
  return gauss_values;
}

double ph_gauss(ph_rng *r) { return ph_normal_quantile((ph_uniform(r) * 0.999999 + 5e-7)); }

static double lattice(int64_t i, int64_t j, uint64_t seed) {
  return (double)(ph_mix(seed ^ ((uint64_t)i * 0x8da6b343ull) ^ ((uint64_t)j * 0xd8163841ull << 20)) >> 11) * 0x1p-52 -
         1;
}
double ph_value_noise(double x, double y, uint64_t seed) {
  double fx = floor(x), fy = floor(y);
  int64_t i = (int64_t)fx, j = (int64_t)fy;
  double u = ph_smooth(x - fx), v = ph_smooth(y - fy);
  double a = lattice(i, j, seed), b = lattice(i + 1, j, seed), c = lattice(i, j + 1, seed),
         d = lattice(i + 1, j + 1, seed);
  return (a + (b - a) * u) * (1 - v) + (c + (d - c) * u) * v;
}

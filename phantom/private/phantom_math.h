/* Own elementary functions and random numbers, so that the phantom's bytes do not depend on the C library or on the
 * processor's choice of instructions. Only + - * / and sqrt (exact by IEEE 754) are used. Relative errors are below
 * 1e-14, which is far more than the pictures need. */
#ifndef PHANTOM_MATH_H
#define PHANTOM_MATH_H

#include <math.h>
#include <stdint.h>

#define PH_PI 3.14159265358979323846

double ph_exp(double x);
double ph_log(double x); /* x > 0 */
double ph_sin(double x); /* |x| < 1e5 */
double ph_cos(double x);
double ph_atan2(double y, double x);
double ph_pow(double x, double y);               /* x > 0 */
double ph_normal_quantile(double p);             /* 0 < p < 1; relative error about 1e-9 */
double ph_ellipse_perimeter(double a, double b); /* full axes */

static inline double ph_db(double db) { return ph_exp(db * 0.11512925464970228420); } /* dB of amplitude -> factor */
static inline double ph_clamp(double v, double lo, double hi) { return v < lo ? lo : v > hi ? hi : v; }
static inline double ph_smooth(double t) {
  t = ph_clamp(t, 0, 1);
  return t * t * (3 - 2 * t);
}
/* Rounded to a number of decimals, for what goes into the truth and into headers. */
double ph_round(double v, int decimals);

/* splitmix64: a counter-based mixer (Steele, Lea, Flood 2014, public domain constants). */
static inline uint64_t ph_mix(uint64_t z) {
  z += 0x9e3779b97f4a7c15ull;
  z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9ull;
  z = (z ^ (z >> 27)) * 0x94d049bb133111ebull;
  return z ^ (z >> 31);
}

/* One draw a full expression: the order in which a call's arguments are worked out differs between compilers. */
typedef struct ph_rng {
  uint64_t s;
} ph_rng;
static inline ph_rng ph_rng_of(uint64_t seed, uint64_t stream) {
  return (ph_rng){ph_mix(ph_mix(seed) ^ (stream * 0xd1342543de82ef95ull))};
}
static inline uint64_t ph_next(ph_rng *r) {
  r->s += 0x9e3779b97f4a7c15ull;
  return ph_mix(r->s);
}
static inline double ph_uniform(ph_rng *r) { return (double)(ph_next(r) >> 11) * 0x1p-53; } /* [0,1) */
static inline double ph_range(ph_rng *r, double lo, double hi) { return lo + (hi - lo) * ph_uniform(r); }
static inline int ph_pick(ph_rng *r, int n) { return (int)(ph_next(r) % (uint64_t)n); }
double ph_gauss(ph_rng *r);

/* 4096 equally likely values of a standard normal; noise of the pictures is looked up here. Read-only once built. */
#define PH_GAUSS_N 4096
const float *ph_gauss_table(void);

/* Smooth noise in about [-1,1] over a lattice of unit cells. */
double ph_value_noise(double x, double y, uint64_t seed);

#endif

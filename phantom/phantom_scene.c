#include "private/phantom_scene.h"

#include <stdlib.h>
#include <string.h>

#include "private/phantom_math.h"

ph_frame ph_frame_at(double cx, double cz, double angle) { return (ph_frame){cx, cz, ph_cos(angle), ph_sin(angle)}; }
ph_frame ph_frame_in(const ph_frame *f, double u, double v, double angle) {
  ph_frame r;
  ph_frame_out(f, u, v, &r.cx, &r.cz);
  double c = ph_cos(angle), s = ph_sin(angle);
  r.c = f->c * c - f->s * s;
  r.s = f->s * c + f->c * s;
  return r;
}
void ph_frame_out(const ph_frame *f, double u, double v, double *x, double *z) {
  *x = f->cx + u * f->c - v * f->s;
  *z = f->cz + u * f->s + v * f->c;
}
static void frame_to(const ph_frame *f, double x, double z, double *u, double *v) {
  double dx = x - f->cx, dz = z - f->cz;
  *u = dx * f->c + dz * f->s;
  *v = -dx * f->s + dz * f->c;
}

ph_scene *ph_scene_new(uint64_t seed) {
  ph_scene *s = malloc(sizeof *s);
  if (s) ph_scene_clear(s, seed);
  return s;
}
void ph_scene_free(ph_scene *s) { free(s); }

void ph_scene_clear(ph_scene *s, uint64_t seed) {
  memset(s, 0, sizeof *s);
  s->seed = seed;
  s->base_echo = ph_db(-6);
  s->base_mod_db = 5;
  s->warp_mm = 1.2;
  s->warp_cell = 14;
}

ph_shape *ph_add_shape(ph_scene *s, ph_frame f, double a, double b, double echo_db) {
  if (s->n_shapes == PH_SHAPES) return &s->shapes[PH_SHAPES - 1];
  ph_shape *p = &s->shapes[s->n_shapes++];
  memset(p, 0, sizeof *p);
  p->f = f;
  p->a = a;
  p->b = b;
  p->soft = 0.5;
  p->echo = ph_db(echo_db);
  p->mod_db = echo_db > -40 ? 1.5 : 0;
  p->mod_u = p->mod_v = 5;
  p->mod_seed = ph_mix(s->seed + (uint64_t)s->n_shapes * 77);
  p->warped = true;
  double m = (a > b ? a : b) + 4;
  p->reach2 = m * m;
  return p;
}

static ph_edge *new_edge(ph_scene *s, double thick, double specular_db) {
  if (s->n_edges == PH_EDGES) return &s->edges[PH_EDGES - 1];
  ph_edge *e = &s->edges[s->n_edges++];
  memset(e, 0, sizeof *e);
  e->thick = thick;
  e->soft = 0.15;
  e->specular = ph_db(specular_db);
  e->diffuse = 0.25 * e->specular;
  e->power = 2;
  e->floor = 0.1;
  e->seed = ph_mix(s->seed + 5000 + (uint64_t)s->n_edges);
  e->warped = true;
  e->gap_mm = 4;
  return e;
}

ph_edge *ph_add_arc(ph_scene *s, ph_frame f, double a, double b, double from, double to, double thick,
                    double specular_db) {
  ph_edge *e = new_edge(s, thick, specular_db);
  e->f = f;
  e->a = a;
  e->b = b;
  e->from = from;
  e->to = to;
  double m = (a > b ? a : b) + 4;
  e->reach2 = m * m;
  return e;
}

ph_edge *ph_add_line(ph_scene *s, int n, const double *xz, double thick, double specular_db) {
  ph_edge *e = new_edge(s, thick, specular_db);
  e->line = true;
  e->n = n > 6 ? 6 : n;
  double cx = 0, cz = 0, m = 0;
  for (int i = 0; i < e->n; i++) {
    e->x[i] = xz[2 * i];
    e->z[i] = xz[2 * i + 1];
    cx += e->x[i] / e->n;
    cz += e->z[i] / e->n;
  }
  for (int i = 0; i < e->n; i++) {
    double d = (e->x[i] - cx) * (e->x[i] - cx) + (e->z[i] - cz) * (e->z[i] - cz);
    if (d > m) m = d;
  }
  e->f = (ph_frame){cx, cz, 1, 0};
  m = sqrt(m) + thick + 3;
  e->reach2 = m * m;
  return e;
}

ph_edge *ph_add_line_in(ph_scene *s, const ph_frame *f, int n, const double *uv, double thick, double specular_db) {
  double xz[12];
  if (n > 6) n = 6;
  for (int i = 0; i < n; i++) ph_frame_out(f, uv[2 * i], uv[2 * i + 1], &xz[2 * i], &xz[2 * i + 1]);
  return ph_add_line(s, n, xz, thick, specular_db);
}

/* Signed distance to an ellipse with waves, exact on the border of the ellipse and good near it; and the ellipse's
 * outward normal in frame coordinates. */
static double ellipse_distance(double u, double v, double a, double b, const double wave[PH_WAVES], double *nu,
                               double *nv) {
  double p = u / a, q = v / b, rho2 = p * p + q * q;
  if (rho2 < 1e-12) {
    *nu = 0;
    *nv = 1;
    return -(a < b ? a : b);
  }
  double rho = sqrt(rho2), gu = p / a, gv = q / b, g = sqrt(gu * gu + gv * gv);
  *nu = gu / g;
  *nv = gv / g;
  double d = (rho - 1) * rho / g;
  if (wave[0] == 0 && wave[1] == 0 && wave[2] == 0 && wave[3] == 0) return d;
  double c = p / rho, s = q / rho, c2 = c * c - s * s, s2 = 2 * s * c;
  return d - wave[0] * (c2 * c - s2 * s) - wave[1] * (s2 * c + c2 * s) - wave[2] * (c2 * c2 - s2 * s2) -
         wave[3] * 2 * s2 * c2;
}

static double paint_one(const ph_shape *p, double x, double z, double *u, double *v) {
  double nu, nv;
  frame_to(&p->f, x, z, u, v);
  double d = ellipse_distance(*u, *v, p->a, p->b, p->wave, &nu, &nv);
  if (p->outside) d = -d;
  if (d <= -p->soft) return 1;
  if (d >= p->soft) return 0;
  return ph_smooth(0.5 - 0.5 * d / p->soft);
}

/* How much of an interface lies at this point, its normal, and the place along it for the gaps. */
static double edge_line(const ph_edge *e, double x, double z, double *nx, double *nz, double *along) {
  double best = 1e18, run = 0;
  for (int i = 0; i + 1 < e->n; i++) {
    double dx = e->x[i + 1] - e->x[i], dz = e->z[i + 1] - e->z[i], l2 = dx * dx + dz * dz;
    double len = sqrt(l2), t = l2 > 0 ? ((x - e->x[i]) * dx + (z - e->z[i]) * dz) / l2 : 0;
    double tc = ph_clamp(t, 0, 1), ex = x - e->x[i] - tc * dx, ez = z - e->z[i] - tc * dz, d2 = ex * ex + ez * ez;
    if (d2 < best) {
      best = d2;
      *nx = len > 0 ? -dz / len : 0;
      *nz = len > 0 ? dx / len : 1;
      *along = run + tc * len;
    }
    run += len;
  }
  double over = sqrt(best) - e->thick / 2, end = *along < run - *along ? *along : run - *along;
  double in = over <= -e->soft ? 1 : over >= e->soft ? 0 : ph_smooth(0.5 - 0.5 * over / e->soft);
  return e->fade_mm > 0 ? in * (0.7 + 0.3 * ph_smooth(end / e->fade_mm)) : in;
}

static double edge_arc(const ph_edge *e, double x, double z, double *nx, double *nz, double *along) {
  double u, v, nu, nv;
  frame_to(&e->f, x, z, &u, &v);
  double d = ellipse_distance(u, v, e->a, e->b, e->wave, &nu, &nv);
  if (d >= e->soft || d <= -e->thick - e->soft) return 0;
  double in = ph_smooth(0.5 - 0.5 * d / e->soft) * ph_smooth(0.5 + 0.5 * (d + e->thick) / e->soft);
  if (in <= 0) return 0;
  bool whole = e->from <= 0 && e->to >= 1;
  if (!whole || e->gaps > 0 || e->vary_db > 0) {
    double turn = ph_atan2(v / e->b, u / e->a) / (2 * PH_PI);
    if (turn < 0) turn += 1;
    *along = turn * PH_PI * (e->a + e->b);
    if (!whole) {
      double t = turn < e->from ? turn + 1 : turn, l = PH_PI * (e->a + e->b);
      if (t > e->to) return 0;
      double end = t - e->from < e->to - t ? t - e->from : e->to - t; /* the ends fade over a millimetre */
      in *= ph_smooth(end * l);
    }
  }
  *nx = nu * e->f.c - nv * e->f.s;
  *nz = nu * e->f.s + nv * e->f.c;
  return in;
}

static void add_edge(const ph_edge *e, double x, double z, double dx, double dz, ph_tissue *t) {
  double nx = 0, nz = 1, along = 0;
  double in = e->line ? edge_line(e, x, z, &nx, &nz, &along) : edge_arc(e, x, z, &nx, &nz, &along);
  if (in <= 0) return;
  if (e->gaps > 0) {
    double q = 0.5 + 0.5 * ph_value_noise(along / e->gap_mm, 0.37, e->seed);
    in *= ph_smooth((q - e->gaps + 0.12) / 0.24);
  }
  double strength = 1;
  if (e->vary_db > 0) strength = ph_db(e->vary_db * ph_value_noise(along / (2.2 * e->gap_mm), 0.71, e->seed ^ 3));
  double c = nx * dx + nz * dz;
  if (c < 0) c = -c;
  double f = strength * (e->floor + (1 - e->floor) * (e->power == 2 ? c * c : ph_pow(c, e->power)));
  t->specular += in * f * e->specular;
  t->diffuse = t->diffuse * (1 - in) + in * (t->diffuse + f * e->diffuse);
  t->loss += in * e->loss;
}

void ph_scene_at(const ph_scene *s, double x, double z, double dx, double dz, ph_tissue *t) {
  double wx = x, wz = z;
  if (s->warp_mm > 0) {
    wx += s->warp_mm * ph_value_noise(x / s->warp_cell, z / s->warp_cell, s->seed ^ 0x51);
    wz += s->warp_mm * ph_value_noise(x / s->warp_cell, z / s->warp_cell, s->seed ^ 0x52);
  }
  t->u = x;
  t->v = z;
  t->loss = 0;
  t->specular = 0;
  double echo = s->base_echo, db = 0, mu = 0, mv = 0;
  const ph_shape *top = NULL;
  for (int i = 0; i < s->n_shapes; i++) {
    const ph_shape *p = &s->shapes[i];
    double qx = p->warped ? wx : x, qz = p->warped ? wz : z, ex = qx - p->f.cx, ez = qz - p->f.cz;
    if (!p->outside && ex * ex + ez * ez > p->reach2) continue;
    double u, v, k = paint_one(p, qx, qz, &u, &v);
    if (k <= 0) continue;
    echo = echo * (1 - k) + k * p->echo;
    t->loss = t->loss * (1 - k) + k * p->loss;
    if (k <= 0.5) continue;
    top = p;
    mu = u;
    mv = v;
    t->u = p->carried ? u + 1000 : x - p->move_u;
    t->v = p->carried ? v : z - p->move_v;
  }
  if (top && top->mod_db > 0)
    db = top->mod_db * (ph_value_noise(mu / top->mod_u, mv / top->mod_v, top->mod_seed) +
                        0.5 * ph_value_noise(2.3 * mu / top->mod_u, 2.3 * mv / top->mod_v, top->mod_seed ^ 9));
  else if (!top && s->base_mod_db > 0)
    db = s->base_mod_db *
         (ph_value_noise(wx / 16, wz / 5, s->seed ^ 0x61) + 0.7 * ph_value_noise(wx / 7, wz / 1.6, s->seed ^ 0x62));
  t->diffuse = db != 0 ? echo * ph_db(db) : echo;
  for (int i = 0; i < s->n_edges; i++) {
    const ph_edge *e = &s->edges[i];
    double qx = e->warped ? wx : x, qz = e->warped ? wz : z, ex = qx - e->f.cx, ez = qz - e->f.cz;
    if (ex * ex + ez * ez > e->reach2) continue;
    add_edge(e, qx, qz, dx, dz, t);
  }
}

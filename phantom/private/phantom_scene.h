/* What lies under the probe: shapes (regions of scattering tissue) painted in order, and edges (specular interfaces and
 * bone). Lengths in mm; origin at the middle of the probe's face, x to the right, z away from the probe. Amplitudes are
 * in dB against a mid-grey tissue. */
#ifndef PHANTOM_SCENE_H
#define PHANTOM_SCENE_H

#include <stdbool.h>
#include <stdint.h>

#define PH_FLUID (-70.0) /* dB: amniotic fluid, blood, urine */

typedef struct ph_frame {
  double cx, cz, c, s;
} ph_frame; /* place and turn; u along the turned x axis */

/* A living outline is no exact ellipse: how far it lies outside, mm, is the sum of these times cos 3t, sin 3t, cos 4t,
 * sin 4t of the parametric angle t. Terms of this order leave the best ellipse and its circumference where they were.
 */
#define PH_WAVES 4

/* A filled ellipse with a soft border. */
typedef struct ph_shape {
  ph_frame f;
  double a, b; /* half axes */
  double wave[PH_WAVES];
  double soft;                 /* width of the border, mm */
  double echo;                 /* amplitude factor of its scatterers */
  double loss;                 /* attenuation, dB/mm two-way, relative to what TGC expects */
  double mod_db, mod_u, mod_v; /* texture: strength in dB, size along u and v in mm */
  uint64_t mod_seed;
  bool warped;           /* drawn in gently bent coordinates, as soft tissue is */
  bool outside;          /* paints the outside instead */
  double move_u, move_v; /* displacement of its material, mm: speckle moves with it */
  bool carried;          /* its scatterers are fixed to its own frame instead: speckle moves and turns with it */
  double reach2;         /* squared radius that encloses it */
} ph_shape;

/* A bright interface: an arc of an ellipse, or a line through up to 6 points. */
typedef struct ph_edge {
  bool line;
  ph_frame f;
  double a, b; /* ellipse: half axes of its outer border */
  double wave[PH_WAVES];
  double from, to; /* ellipse: arc in turns of the parametric angle, from <= to; 0,1 is all */
  int n;
  double x[6], z[6];   /* line: points */
  double fade_mm;      /* line: grows dim (to 0.7) over this length towards both ends; 0: not */
  double thick;        /* ellipse: lies between the outer border and this far inside; line: full width */
  double soft;         /* softness of its borders, mm */
  double specular;     /* amplitude when hit square on */
  double diffuse;      /* amplitude of its rough part */
  double power, floor; /* factor floor + (1-floor) |cos|^power for the angle between beam and normal */
  double loss;         /* dB/mm two-way inside it (bone) */
  double gaps, gap_mm; /* broken by noise along it: 0 none .. 1 mostly, and how long the pieces are */
  double vary_db;      /* brightness changes along it */
  uint64_t seed;
  bool warped;
  double reach2;
} ph_edge;

#define PH_SHAPES 260
#define PH_EDGES 200
typedef struct ph_scene {
  uint64_t seed;
  double base_echo; /* scatterers everywhere else */
  double base_mod_db;
  double warp_mm, warp_cell;
  int n_shapes, n_edges;
  ph_shape shapes[PH_SHAPES];
  ph_edge edges[PH_EDGES];
} ph_scene;

typedef struct ph_tissue {
  double diffuse, specular; /* amplitudes */
  double loss;              /* dB/mm */
  double u, v;              /* where its scatterers are fixed (material coordinates) */
} ph_tissue;

ph_frame ph_frame_at(double cx, double cz, double angle);
/* A frame inside another: (u,v) in its coordinates, turned by angle more. */
ph_frame ph_frame_in(const ph_frame *f, double u, double v, double angle);
void ph_frame_out(const ph_frame *f, double u, double v, double *x, double *z);

ph_scene *ph_scene_new(uint64_t seed); /* NULL when out of memory */
void ph_scene_free(ph_scene *s);
void ph_scene_clear(ph_scene *s, uint64_t seed);
/* Both return the new member to be refined, or the last one again when the scene is full. */
ph_shape *ph_add_shape(ph_scene *s, ph_frame f, double a, double b, double echo_db);
ph_edge *ph_add_arc(ph_scene *s, ph_frame f, double a, double b, double from, double to, double thick,
                    double specular_db);
ph_edge *ph_add_line(ph_scene *s, int n, const double *xz, double thick, double specular_db);
/* A line given in a frame's coordinates. */
ph_edge *ph_add_line_in(ph_scene *s, const ph_frame *f, int n, const double *uv, double thick, double specular_db);

/* Tissue at (x,z) met by a beam of direction (dx,dz), a unit vector. */
void ph_scene_at(const ph_scene *s, double x, double z, double dx, double dz, ph_tissue *t);

#endif

/* Builders of scenes. Lengths in mm, angles in radians; `place` is where the object lies in the world. */
#ifndef PHANTOM_ANATOMY_H
#define PHANTOM_ANATOMY_H

#include "private/phantom_beam.h"
#include "private/phantom_math.h"
#include "private/phantom_scene.h"

typedef struct ph_look_of { /* how hard bone and dropout show */
  double weeks, shadow, dropout;
  bool flip;
} ph_look_of;

/* The mother's abdominal wall, the uterus, fluid around the object's place, sometimes the placenta. reach: radius of
 * the object. */
void ph_add_mother(ph_scene *s, const ph_view *v, ph_rng *r, double cx, double cz, double reach);
/* Skull thickness by weeks (our own choice within what is seen on pictures), mm. */
double ph_skull_mm(double weeks);
double ph_skin_mm(double weeks);
double ph_femur_thick_mm(double weeks);
void ph_add_head(ph_scene *s, ph_rng *r, ph_frame place, double ofd, double bpd, const ph_look_of *l);
void ph_add_abdomen(ph_scene *s, ph_rng *r, ph_frame place, double apad, double tad, const ph_look_of *l);
void ph_add_femur(ph_scene *s, ph_rng *r, ph_frame place, double fl, const ph_look_of *l);
#define PH_HEART_TURN 0.72 /* of the heart's axis against the thorax's, about 45 degrees as it is */
/* Four-chamber view at a phase 0..1 of the cycle; thorax of full axes apad x tad; r is copied so that every frame has
 * the same anatomy. */
void ph_add_heart(ph_scene *s, ph_rng r, ph_frame place, double apad, double tad, double phase, const ph_look_of *l);
/* Whole fetus in mid-sagittal section, crown to rump crl along u; nt: thickness of the nuchal translucency. */
void ph_add_early(ph_scene *s, ph_rng *r, ph_frame place, double crl, double nt, const ph_look_of *l);
/* A free loop of cord: writes the centre lines of its vessels for the colour picture. */
typedef struct ph_cord {
  double x[3][200], z[3][200];
  double radius[3];
  int n;
} ph_cord;
void ph_add_cord(ph_scene *s, ph_rng *r, ph_frame place, double length, double weeks, ph_cord *out);

/* Sector whose middle shows the object: depth and scale from the size, integer reference pixel. */
void ph_make_view(ph_view *v, int width, int height, double mm_per_px, bool whole, double object_depth_mm);

/* A small sector in the upper part of a picture whose lower part is a strip. */
void ph_small_view(ph_view *v, int width, int height, double depth_mm);

#endif

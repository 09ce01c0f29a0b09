/* Builders of scenes. Lengths in mm, angles in radians; `place` is where the object lies in the world. */
#ifndef PHANTOM_ANATOMY_H
#define PHANTOM_ANATOMY_H

#include "private/phantom_beam.h"
#include "private/phantom_math.h"
#include "private/phantom_scene.h"

typedef struct ph_look_of { /* how hard bone and dropout show */
  double weeks, shadow, dropout;
  bool flip;
  bool neighbour, flexed; /* femur: see phantom_plane.h */
  double shadowed_end;
  double off; /* distance from the standard plane, 0 none .. 1 another plane altogether */
} ph_look_of;

/* The mother's abdominal wall, the uterus, fluid around the object's place, sometimes the placenta. reach: radius of
 * the object. */
void ph_add_mother(ph_scene *s, const ph_view *v, ph_rng *r, double cx, double cz, double reach);
/* Thickness of the skull's echo and how far its middle lies inside the outline that is measured (the outer edge of the
 * visible echo), mm; both fitted to open pictures with published outlines, see docs/phantom.md. */
double ph_skull_mm(double weeks);
double ph_skull_middle_mm(double weeks);
double ph_skin_mm(double weeks);
#define PH_SKIN_INSET 0.2 /* the skin's echo begins this far inside the outline that is measured, mm */
double ph_femur_thick_mm(double weeks);
void ph_add_head(ph_scene *s, ph_rng *r, ph_frame place, double ofd, double bpd, const ph_look_of *l);
void ph_add_abdomen(ph_scene *s, ph_rng *r, ph_frame place, double apad, double tad, const ph_look_of *l);
/* radius_mm: of the probe, for shadows that fall along its beams. Returns how far the shaft's middle lies off the line
 * of its ends, along v, mm. */
double ph_add_femur(ph_scene *s, ph_rng *r, ph_frame place, double fl, const ph_look_of *l, double radius_mm);
#define PH_HEART_TURN 0.72 /* of the heart's axis against the thorax's, about 45 degrees as it is */
/* Four-chamber view at a phase 0..1 of the cycle; thorax of full axes apad x tad; r is copied so that every frame has
 * the same anatomy. Returns where a gate catches inflow and outflow of the left ventricle. */
ph_frame ph_add_heart(ph_scene *s, ph_rng r, ph_frame place, double apad, double tad, double phase,
                      const ph_look_of *l);
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
typedef struct ph_probe {
  double radius_mm, sector_deg;
} ph_probe;
extern const ph_probe ph_usual_probe;
void ph_make_view(ph_view *v, const ph_probe *probe, int width, int height, double mm_per_px, bool whole,
                  double object_depth_mm);

/* A small sector in the upper part of a picture whose lower part is a strip. */
void ph_small_view(ph_view *v, int width, int height, double depth_mm);

#endif

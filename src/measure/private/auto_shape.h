/* Private to the second reader: pictures as float planes, ellipses, and the networks' maps.
 * Canvas coordinates are continuous (pixel i covers i..i+1), isotropic in millimetres, y downwards. */
#ifndef AUTO_SHAPE_H
#define AUTO_SHAPE_H

#include <stdbool.h>
#include <stddef.h>

#include "measure_auto.h"
#include "nn_net.h"

enum { AUTO_CANVAS_W = 400, AUTO_CANVAS_H = 272, AUTO_IN_W = 384, AUTO_IN_H = 256 };
/* How the picture is unrolled along a rough ellipse: rows are the fraction r0..r1 of a ray, columns its directions,
 * with an eighth of them wrapped on each side. */
typedef struct auto_polar {
  int rows, rays, wrap;
  double r0, r1;
} auto_polar;
enum { AUTO_RAYS = 96, AUTO_FINE_RAYS = 192, AUTO_RAYS_MOST = 192 };
extern const auto_polar auto_polar_outline, auto_polar_fine;

typedef struct auto_ellipse {
  double cx, cy, a, b, theta; /* semi-axes, a >= b; theta of a from x towards y, radians */
} auto_ellipse;

/* The looked-at part of a picture, brought to the canvas scale: canvas = (pixel + 0.5 - origin) * scale. A picture much
 * higher than wide is turned over its diagonal first (turned), since the networks look at wide pictures: then canvas x
 * runs down the picture, and sx, ox belong to the picture's y. */
typedef struct auto_canvas auto_canvas;
struct auto_canvas {
  int w, h;
  float *v; /* 0..1; malloc'ed */
  double sx, sy, ox, oy;
  bool turned;
  double mm; /* millimetres a canvas unit, 0 when unknown */
};

ogv_status auto_canvas_make(const ogv_still *still, auto_canvas *out, ogv_error *err);
void auto_canvas_free(auto_canvas *c);
/* 0 outside. x, y continuous. */
float auto_canvas_at(const auto_canvas *c, double x, double y);
/* The first two channels of the refining networks' inputs: grey value, and whether the place is in the picture. */
void auto_canvas_look(const auto_canvas *c, double x, double y, float out[2]);
/* To pixel-centre coordinates of the whole picture. */
void auto_canvas_to_picture(const auto_canvas *c, double x, double y, double *px, double *py);
void auto_canvas_from_picture(const auto_canvas *c, double px, double py, double *x, double *y);

/* Letterbox of the canvas in the network's input: input = canvas * scale + t. */
typedef struct auto_letter {
  double scale, tx, ty;
} auto_letter;
auto_letter auto_letter_fill(const auto_canvas *c, float *input, bool mirrored);

/* Weighted least-squares ellipse (Halir and Flusser 1998: direct, never a hyperbola). Points x,y pairs; w may be NULL.
 * false when the points do not determine one. */
bool auto_ellipse_fit(const double *xy, const double *w, size_t n, auto_ellipse *out);
/* Signed distance of a point to an ellipse, first order, outside positive. */
double auto_ellipse_distance(const auto_ellipse *e, double x, double y);
/* Repeats the fit with less weight on points that lie off; *rms is the robust residual. */
bool auto_ellipse_fit_robust(const double *xy, const double *w, size_t n, auto_ellipse *out, double *rms);
double auto_ellipse_perimeter(const auto_ellipse *e);
/* Mean of two ellipses through their second moments. */
auto_ellipse auto_ellipse_mean(const auto_ellipse *p, const auto_ellipse *q, double weight_of_q);
/* Length of the closed curve through weighted points near the ellipse (radius corrected by three harmonics) over the
 * ellipse's circumference, 0.97..1.03; 1 when the points do not determine one. */
double auto_curve_stretch(const auto_ellipse *e, const double *xy, const double *w, size_t n);

/* One channel of a map. */
typedef struct auto_map {
  int w, h, stride; /* stride: floats from pixel to pixel */
  const float *v;   /* at (x,y): v[(y*w+x)*stride] */
} auto_map;
float auto_map_at(const auto_map *m, double x, double y); /* index coordinates, bilinear, -50 outside */

/* A connected part of a map above 0. */
typedef struct auto_part {
  int label, pixels;
  double cx, cy; /* centroid, index coordinates */
  double sum;    /* of the sigmoid of the logits */
} auto_part;
/* Labels parts (4-connected) into label[w*h] (0 = none); returns how many of at most `maximum` were stored, by scan
 * order. */
int auto_map_parts(const auto_map *m, int *label, auto_part *parts, int maximum);
/* Outline of a part along 120 rays from its centroid; xy holds 240 doubles, index coordinates; returns points found. */
size_t auto_map_outline(const auto_map *m, const int *label, const auto_part *p, double *xy);

/* One view through an unrolled picture: a place and a trust on every ray. */
typedef struct auto_view {
  double xy[2 * AUTO_RAYS_MOST], w[AUTO_RAYS_MOST]; /* geometry's rays are filled */
  double log_scale;                                 /* network's own log of the relative error of the circumference */
  double is_logit;                                  /* logit that there is such a structure at all */
} auto_view;
/* kind 0 head, 1 abdomen; mirror 1 or -1: the way round. The plan fits the geometry. */
ogv_status auto_polar_view(ogv_net_plan *plan, const auto_polar *g, const auto_canvas *c, const auto_ellipse *e,
                           int mirror, int kind, auto_view *out, ogv_error *err);

/* One view of the picture around the ellipse as a whole. */
typedef struct auto_framed {
  auto_ellipse ellipse;
  double log_scale;
  double spine_x, spine_y; /* abdomen: direction from the centre towards the spine on the canvas, unit length */
  double spine_trust;      /* 0 knows nothing .. about 1 sure */
} auto_framed;
enum { AUTO_FRAME = 144 };
ogv_status auto_frame_view(ogv_net_plan *plan, const auto_canvas *c, const auto_ellipse *e, int kind, auto_framed *out,
                           ogv_error *err);

/* What the three networks that refine an outline found together. */
typedef struct auto_outline {
  auto_ellipse ellipse; /* of the first: least squares through the places found */
  auto_ellipse fine;    /* of the finer one; heads only */
  auto_framed framed;
  double stretch, fine_stretch; /* length of the curve through the places over the ellipse's circumference */
  double rms;                   /* weighted residual, canvas units */
  double log_scale, is_logit;   /* mean of the first one's views */
  double trust_mean;
  double outside; /* part of the outline that lies outside the picture, 0..1 */
} auto_outline;
/* kind 0 head, 1 abdomen. OGV_E_RANGE when what was found is no ellipse. */
ogv_status auto_outline_refine(struct ogv_reader *r, const auto_canvas *c, const auto_ellipse *start, int kind,
                               auto_outline *out, ogv_error *err);

/* What the refiner of bone ends found. */
typedef struct auto_ends {
  double x[2], y[2];          /* canvas, left end first */
  double log_scale, is_logit; /* as above, for the length */
  double mirror;              /* distance between the two views' ends over the length */
} auto_ends;
enum { AUTO_STRIP_W = 160, AUTO_STRIP_H = 32 };
ogv_status auto_ends_refine(ogv_net_plan *plan, const auto_canvas *c, const double x[2], const double y[2],
                            auto_ends *out, ogv_error *err);

/* Mean grey of the bone's ridge over the 4 to 20 % of its length next to the dimmer end, over the median of its middle:
 * about 1 on a shaft, 0 where an end is black. x, y: the ends, canvas. */
double auto_bone_fading(const auto_canvas *c, const double x[2], const double y[2]);

struct ogv_reader {
  ogv_net *maps_net, *outline_net, *fine_net, *frame_net, *ends_net;
  ogv_net_plan *maps, *outline, *fine, *frame, *ends;
  int *label; /* one map's labels */
};

/* Runs the first network; maps has 4 channels. Plane probabilities in p[OGV_PLANES]. */
ogv_status auto_reader_maps(ogv_reader *r, const auto_canvas *c, bool mirrored, auto_letter *letter, auto_map maps[4],
                            double p[OGV_PLANES], ogv_error *err);
/* Ellipse of the head (channel 0) or abdomen (1) map; false when there is none. residual in map pixels, coverage 0..1.
 */
bool auto_reader_ellipse(ogv_reader *r, const auto_map *m, const auto_letter *l, const auto_canvas *c,
                         const ogv_still *still, auto_ellipse *out, double *residual, double *coverage);

/* What head and abdomen share: find, refine, describe. Fills plane, features, geometry, acceptance, plane quality and
 * the refusals they share; *e is the ellipse, *sd_relative the SD of its circumference. false when nothing was found
 * (the reason is then in out). */
ogv_status auto_round_measure(ogv_reader *r, const auto_canvas *c, const ogv_still *s, ogv_reading *out,
                              auto_ellipse *e, auto_framed *framed, double *sd_relative, bool *found, ogv_error *err);

/* From features to SD and acceptance; coefficients come from cross-validation (training/calibrate.py). */
double auto_confidence_sd(ogv_plane kind, const double feature[8]);
double auto_confidence_accept(ogv_plane kind, const double feature[8]);
double auto_confidence_threshold(ogv_plane kind);

/* The acceptance after weighing z, never more than before; z NaN: unchanged. auto_plausible.c has the rule. */
double auto_plausible_acceptance(double acceptance, double z);

/* Refuses what has no scale or is not plausible in size at any age. */
void auto_reading_check(ogv_reading *out, const char *quantity);
/* Published image score, see measure_plane.h. */
void auto_reading_quality(ogv_reading *out, double long_px, double view_px, bool whole);

/* Shared ending of head and abdomen: geometry into the reading. */
void auto_reading_ellipse(ogv_reading *out, const auto_canvas *c, const auto_ellipse *e);
/* Angle of the line through the first two points against the rows, degrees, -90..90. */
double auto_reading_angle(const ogv_reading *g);
void auto_reading_value(ogv_reading *out, const char *id, double value, double sd);
void auto_reading_refuse(ogv_reading *out, const char *fmt, ...) __attribute__((format(printf, 2, 3)));

#endif

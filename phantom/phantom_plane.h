/* One synthetic still of a standard plane (head, abdomen, femur) with exact truth: for tests and for training's
 * augmentation.
 *
 * What the truth is: head: the outer border of the skull bone (an ellipse); abdomen: the outer border of the skin (an
 * ellipse); femur: the two ends of the ossified shaft, on the middle of the bone's thickness. The brightest line lies
 * `edge_peak_mm` inside the true outline; the visible band reaches beyond it by about one SD of the beam (1 mm across
 * the beam, 0.3 mm along it). docs/phantom.md tells more. */
#ifndef PHANTOM_PLANE_H
#define PHANTOM_PLANE_H

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>

#include "core_status.h"
#include "imaging_image.h"
#include "imaging_region.h"

typedef enum { OGV_PHANTOM_HEAD, OGV_PHANTOM_ABDOMEN, OGV_PHANTOM_FEMUR } ogv_phantom_plane_kind;

typedef struct ogv_phantom_plane_options {
  uint64_t seed;
  ogv_phantom_plane_kind kind;
  int width, height; /* default 1024 x 768; at least 96 x 64 */
  int channels;      /* 1 or 3 */
  double ga_weeks;   /* appearance (bone, folds of the brain), 10..42 */
  double length_mm;  /* head: OFD outer to outer; abdomen: the axis along the spine's direction (APAD); femur: FL */
  double breadth_mm; /* head: BPD outer to outer; abdomen: TAD; not used for the femur */
  double angle_deg;  /* of the long axis against the picture's rows, clockwise; NaN: drawn from the seed */
  double centre_x, centre_y; /* wanted centre in pixels; NaN: near the middle of the sector */
  double mm_per_px;          /* 0: chosen so that the object fills the usual part of the sector */
  double fill;             /* used when mm_per_px is 0: size of the object against the shown sector; 0: from the seed */
  bool whole_sector;       /* false: zoomed, the sector is cut by the picture */
  double gain_db;          /* -20..20 around well set */
  double noise_db;         /* added to the electronic noise, 0 normal */
  double dynamic_range_db; /* 0: default 58 */
  double shadow;           /* 0..1.5: how much bone takes away, 1 normal */
  double dropout;          /* 0..1: how much of the outline is missing */
  double resolution;       /* 1 normal; larger is coarser */
  int looks;               /* 1..3, 0: from the seed */
  bool captions;           /* burned-in texts, ruler, grey bar */
  bool calipers;           /* burned-in dotted outline and crosses at the truth */
  bool flip;               /* mirror the anatomy left to right */
  double radius_mm;        /* of the probe's face, 10..100; 0: 52 */
  double sector_deg;       /* width of the sector, 20..120; 0: 70 */
  bool neighbour;          /* femur: the other thigh's bone is seen as well */
  bool flexed;             /* femur: the knee is bent, the lower leg's bones follow */
  double shadowed_end;     /* femur: this part of the shaft at one end lies in the shadow of something above, 0..0.4 */
  bool quick;              /* coarser beam space, for tests under sanitizers */
} ogv_phantom_plane_options;

typedef struct ogv_phantom_plane_truth {
  ogv_phantom_plane_kind kind;
  double mm_per_px;
  double centre_x, centre_y; /* pixel-centre coordinates */
  double angle_rad;          /* of the length axis in the picture (y down) */
  double length_mm, breadth_mm;
  double perimeter_mm; /* HC or AC; NaN for the femur */
  double points[8];    /* head, abdomen: ends of the length axis, ends of the breadth axis; femur: two ends */
  int n_points;
  double middle[2];    /* femur: middle of the shaft, which may be bowed */
  double edge_peak_mm; /* brightest line lies this far inside the outline */
  double outside;      /* part of the outline that is not in the shown sector, 0..1 */
  ogv_region region;
} ogv_phantom_plane_truth;

void ogv_phantom_plane_defaults(ogv_phantom_plane_options *o, ogv_phantom_plane_kind kind);
/* OGV_E_INVALID names the option at fault. Free the picture with ogv_image_free. */
ogv_status ogv_phantom_plane(const ogv_phantom_plane_options *o, ogv_image *picture, ogv_phantom_plane_truth *truth,
                             ogv_error *err);
/* New reference. */
json_t *ogv_phantom_plane_json(const ogv_phantom_plane_truth *t);

#endif

/* A clip of a standard plane in motion, with truth for each frame: the fetus drifts and turns under the probe, the
 * plane wanders about the standard one and is left altogether now and then. Speckle moves with the object and changes
 * as the plane does, electronic noise is new in each frame; so the errors of neighbouring frames are correlated, as in
 * life. */
#ifndef PHANTOM_CLIP_H
#define PHANTOM_CLIP_H

#include "phantom_plane.h"

typedef struct ogv_phantom_clip_options {
  ogv_phantom_plane_options plane; /* sizes of the standard plane, view, appearance, seed */
  int frames;                      /* 2..600, default 60 */
  double frame_ms;                 /* 5..1000, default 40 */
  double move_mm;                  /* how far it drifts, about its SD; 0..20, default 2 */
  double turn_deg;                 /* how far it turns; 0..45, default 4 */
  double wander;                   /* SD of the distance from the standard plane; 0..0.5, default 0.1 */
  int leaves;                      /* how often the plane is left altogether, 0..5, default 1 */
} ogv_phantom_clip_options;

typedef struct ogv_phantom_frame_truth {
  ogv_phantom_plane_truth plane; /* of the section that this frame shows */
  double off;                    /* distance from the standard plane, 0 in it, 1 another plane altogether */
} ogv_phantom_frame_truth;

void ogv_phantom_clip_defaults(ogv_phantom_clip_options *o, ogv_phantom_plane_kind kind);
/* One frame, 0..frames-1; frames may be asked for in any order. OGV_E_INVALID names the option at fault. Free the
 * picture with ogv_image_free. */
ogv_status ogv_phantom_clip_frame(const ogv_phantom_clip_options *o, int frame, ogv_image *picture,
                                  ogv_phantom_frame_truth *truth, ogv_error *err);
/* The whole clip as a DICOM multi-frame object (JPEG baseline), and its truth: in the standard plane
 * `length_mm`, `breadth_mm` and `perimeter_mm` (null for a femur); `frame_ms`, `mm_per_px`, `frames` (for each what
 * ogv_phantom_plane_json gives of its section, and `off`). truth may be NULL; else *truth gets a new reference. */
ogv_status ogv_phantom_clip_write(const ogv_phantom_clip_options *o, const char *path, json_t **truth, ogv_error *err);

#endif

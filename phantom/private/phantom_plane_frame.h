/* One frame of a plane in motion. */
#ifndef PHANTOM_PLANE_FRAME_H
#define PHANTOM_PLANE_FRAME_H

#include "phantom_plane.h"

typedef struct ph_pose {
  double dx_mm, dz_mm, turn; /* of the object against its first place; radians */
  double off;                /* distance from the standard plane: 0 in it, -1 or 1 another plane altogether */
  uint64_t frame;            /* running number: electronic noise differs from frame to frame */
} ph_pose;

/* As ogv_phantom_plane, in this pose (NULL: as it lies). The truth is the section's, which off the standard plane is
 * smaller than the size asked for. The mother, the probe and its settings stay as they are. */
ogv_status ph_plane_frame(const ogv_phantom_plane_options *o, const ph_pose *pose, ogv_image *picture,
                          ogv_phantom_plane_truth *truth, ogv_error *err);

#endif

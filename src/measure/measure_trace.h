/* What a hand-drawn trace of one heart cycle on a spectrum says, and the volume of an outline. */
#ifndef MEASURE_TRACE_H
#define MEASURE_TRACE_H

#include <stddef.h>

#include "core_status.h"
#include "imaging_geometry.h"
#include "imaging_region.h"

/* One cycle, from the start of one upstroke to the start of the next, drawn along the maximum velocity. Velocities are
 * cm/s and positive in the direction of the flow; each SD is what half a pixel in height does. */
typedef struct ogv_trace {
  double psv, edv, mdv, tamax; /* highest; at the end; lowest; mean over time */
  double pi, ri, sd_ratio;     /* (S-D)/mean (Gosling and King 1974), (S-D)/S (Pourcelot 1974), S/D; NaN when D <= 0 */
  double piv;                  /* (highest-lowest)/mean: pulsatility index for veins (Hecher 1994) */
  double time_s;
  double sd_velocity, sd_tamax, sd_pi, sd_ri, sd_sd_ratio, sd_piv;
} ogv_trace;

/* OGV_E_CALIBRATION without velocity and time scales and a baseline; OGV_E_INVALID for fewer than 4 points, a trace
 * that runs back in time, or one without flow. */
ogv_status ogv_trace_read(const ogv_geometry *g, const ogv_region *r, ogv_trace *out, ogv_error *err);

/* Volume in mL of a body turned about an axis, by stacked discs: the outline is cut by `discs` planes at right angles
 * to the axis; each disc has the outline's width there (ogv_volume_discs). axis: a distance along the body, both in one
 * region. OGV_E_INVALID when the axis does not cross the outline. */
ogv_status ogv_outline_volume(const ogv_geometry *outline, const ogv_geometry *axis, const ogv_region *r, int discs,
                              double *ml, ogv_error *err);

#endif

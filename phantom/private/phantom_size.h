/* Sizes, velocities and rates that the phantom's fetuses have: published charts at the chosen centile. */
#ifndef PHANTOM_SIZE_H
#define PHANTOM_SIZE_H

#include "core_status.h"

typedef struct ph_size {
  int ga_days;
  double z;                                                                   /* of the chosen centile */
  double hc_mm, bpd_mm, ofd_mm, ac_mm, apad_mm, tad_mm, fl_mm, crl_mm, nt_mm; /* crl, nt: NaN after 14 weeks */
  double rate_bpm;
  double ua_pi, ua_psv, mca_pi, mca_psv, uta_pi[2]; /* left, right */
  int extrapolated; /* 1 when some size lies outside its chart and was continued by our own rule */
} ph_size;

/* HC, AC and FL lie on the centile of their INTERGROWTH-21st charts; BPD and OFD keep their charts' proportion, changed
 * by `shape` (a few percent), and are scaled so that their ellipse has exactly the HC. */
ogv_status ph_size_of(int ga_days, double z, double shape, double round, ph_size *out, ogv_error *err);

#endif

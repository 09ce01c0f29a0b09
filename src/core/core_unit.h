/* Units by their UCUM code. Values are converted by the unit they carry, never by how large they look. */
#ifndef CORE_UNIT_H
#define CORE_UNIT_H

#include "core_status.h"

/* Converts between two UCUM units of one kind: mm cm m, mm2 cm2, mL cm3 mm3 L, g kg, d wk, s ms, cm/s mm/s m/s,
 * /min {H.B.}/min, deg rad, 1 %, mL/min L/min, g/dL g/L. OGV_E_INVALID when they are of different kinds (mm to g) or
 * unknown. */
ogv_status ogv_unit_convert(double value, const char *from, const char *to, double *out, ogv_error *err);

#endif

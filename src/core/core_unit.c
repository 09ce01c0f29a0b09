#include "core_unit.h"

#include <string.h>

typedef enum { LENGTH, AREA, VOLUME, MASS, TIME, VELOCITY, RATE, ANGLE, RATIO, FLOW, CONCENTRATION } kind;
typedef struct {
  const char *ucum;
  kind k;
  double factor; /* to the kind's base: mm, mm2, mm3, g, s, mm/s, 1/min, rad, 1 */
} unit;

static const unit units[] = {
    {"mm", LENGTH, 1},
    {"cm", LENGTH, 10},
    {"m", LENGTH, 1000},
    {"mm2", AREA, 1},
    {"cm2", AREA, 100},
    {"mm3", VOLUME, 1},
    {"cm3", VOLUME, 1000},
    {"mL", VOLUME, 1000},
    {"ml", VOLUME, 1000},
    {"L", VOLUME, 1e6},
    {"g", MASS, 1},
    {"kg", MASS, 1000},
    {"s", TIME, 1},
    {"ms", TIME, 1e-3},
    {"d", TIME, 86400},
    {"wk", TIME, 604800},
    {"mm/s", VELOCITY, 1},
    {"cm/s", VELOCITY, 10},
    {"m/s", VELOCITY, 1000},
    {"/min", RATE, 1},
    {"{H.B.}/min", RATE, 1},
    {"{beats}/min", RATE, 1},
    {"deg", ANGLE, 0.017453292519943295},
    {"rad", ANGLE, 1},
    {"1", RATIO, 1},
    {"%", RATIO, 0.01},
    {"{ratio}", RATIO, 1},
    {"mL/min", FLOW, 1},
    {"L/min", FLOW, 1000},
    {"g/dL", CONCENTRATION, 10},
    {"g/L", CONCENTRATION, 1},
};

static const unit *find(const char *u) {
  for (size_t i = 0; i < sizeof units / sizeof *units; i++)
    if (!strcmp(units[i].ucum, u)) return &units[i];
  return NULL;
}

ogv_status ogv_unit_convert(double value, const char *from, const char *to, double *out, ogv_error *err) {
  const unit *a = find(from), *b = find(to);
  if (!a || !b)
    return ogv_fail(err, OGV_E_INVALID, "Use a UCUM unit such as mm, cm, g, d, cm/s, 1, %.", "unknown unit \"%.30s\"",
                    a ? to : from);
  if (a->k != b->k)
    return ogv_fail(err, OGV_E_INVALID, "Give the value in a unit of the right kind.", "a value in %s cannot become %s",
                    from, to);
  *out = a == b ? value : value * a->factor / b->factor;
  return OGV_OK;
}

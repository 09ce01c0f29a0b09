/* Reading charts, ages and values as people write them. */
#include <ctype.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "cli_chart.h"
#include "core_date.h"
#include "core_json.h"
#include "core_unit.h"

ogv_status ogv_cli_chart_pick(const char *word, bool unverified, const ogv_chart **out, ogv_error *err) {
  ogv_status s = ogv_chart_find(word, out, err);
  if (s == OGV_E_NOT_FOUND && ogv_chart_default(word, out, NULL) == OGV_OK) s = OGV_OK;
  OGV_TRY(s);
  const ogv_chart_info *f = ogv_chart_about(*out);
  if (f->enabled || unverified) return OGV_OK;
  return ogv_fail(err, OGV_E_DENIED, "Use --unverified to try it, never for a report.",
                  "the chart %s is switched off: %.200s", f->id, f->note);
}

static bool is_age(const ogv_chart *c) { return !strcmp(ogv_chart_about(c)->x_unit, "d"); }

/* A number with an optional unit behind it, in `unit`. */
static ogv_status read_measure(const char *text, const char *unit, const char *what, double *out, ogv_error *err) {
  char *end;
  double v = strtod(text, &end);
  if (end == text || !isfinite(v))
    return ogv_fail(err, OGV_E_INVALID, NULL, "the %s \"%.40s\" is not a number", what, text);
  while (isspace((unsigned char)*end)) end++;
  if (!*end) {
    *out = v;
    return OGV_OK;
  }
  ogv_status s = ogv_unit_convert(v, end, unit, out, err);
  return s == OGV_OK ? s : ogv_error_at(err, s, "%s \"%.40s\"", what, text);
}

ogv_status ogv_cli_chart_read_x(const ogv_chart *c, const char *text, const char *x_unit, double *x, ogv_error *err) {
  const ogv_chart_info *f = ogv_chart_about(c);
  char *end;
  double v = strtod(text, &end);
  bool bare = end != text && !*end && isfinite(v);
  if (bare && x_unit) return ogv_unit_convert(v, x_unit, f->x_unit, x, err);
  if (!is_age(c)) return read_measure(text, f->x_unit, f->x_name, x, err);
  if (bare)
    return ogv_fail(err, OGV_E_INVALID, "Write 20w3d or 143d, or say --x-unit d or --x-unit wk.",
                    "the age \"%.20s\" does not say whether it is in days or weeks", text);
  int days;
  OGV_TRY(ogv_ga_parse(text, &days, err));
  *x = days;
  return OGV_OK;
}

const ogv_quantity *ogv_cli_chart_quantity(const ogv_chart *c, const chart_options *o) {
  if (o->any_value) return NULL;
  const ogv_quantity *q = ogv_quantity_find(ogv_chart_about(c)->quantity);
  return q && !strcmp(q->unit, ogv_chart_about(c)->unit) ? q : NULL;
}

ogv_status ogv_cli_chart_read_value(const ogv_chart *c, const ogv_quantity *q, const char *text, double *value,
                                    ogv_error *err) {
  OGV_TRY(read_measure(text, ogv_chart_about(c)->unit, "value", value, err));
  return q ? ogv_quantity_plausible(q, *value, err) : OGV_OK;
}

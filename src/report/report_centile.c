/* Where a value stands on a chart, with the interval that its own error and the dating error leave. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "core_json.h"
#include "obstetrics_protocol.h"
#include "private/report_compose.h"

/* The age, or another quantity, that the chart is read against, in the chart's unit; NaN with a refusal in e. */
static double chart_x(const compose *c, const ogv_chart_info *a, const json_t *value, const json_t *values,
                      double ga_days, double *sd, ogv_error *e) {
  *sd = 0;
  if (!strcmp(a->x_unit, "d") || !strcmp(a->x_unit, "wk")) {
    double per = strcmp(a->x_unit, "d") ? 7 : 1;
    if (!c->dated || !isfinite(ga_days)) {
      ogv_fail(e, OGV_E_NOT_FOUND, ogv_message_plain(c->m, "limit.no-dating.todo"), "%s",
               ogv_message_plain(c->m, "limit.no-dating"));
      return NAN;
    }
    *sd = c->ga_sd / per;
    return ga_days / per;
  }
  const json_t *other = compose_value(values, ogv_json_string_or(value, "fetus", ""), a->x_name);
  double x = other ? compose_number(other, "value") : NAN, u = other ? compose_number(other, "sd") : NAN;
  if (!isfinite(x))
    ogv_fail(e, OGV_E_NOT_FOUND, NULL, "the chart is read against %s, which was not measured", a->x_name);
  *sd = isfinite(u) ? u : 0;
  return x;
}

/* Calipers and weight formula must be those that the chart was made with. */
static const char *fits(const ogv_chart_info *a, const json_t *value, ogv_error *e) {
  const char *have = ogv_json_string_or(value, "convention", ""), *want = a->convention ? a->convention : "";
  const char *formula = ogv_json_string_or(json_object_get(value, "formula"), "id", "");
  if (a->formula && *a->formula && strcmp(a->formula, formula)) {
    ogv_fail(e, OGV_E_INVALID, "Choose a chart for this formula.",
             "the chart is for weights by %s, this weight is by %s", a->formula,
             *formula ? formula : "an unnamed formula");
    return NULL;
  }
  if (!*want || !*have) return "any";
  if (!strcmp(have, "unknown")) return "assumed";
  if (!strcmp(want, have)) return "same";
  ogv_fail(e, OGV_E_INVALID, "Measure by the chart's convention or choose another chart.",
           "calipers were placed %s, the chart was made %s", have, want);
  return NULL;
}

static double centile_of_z(double z) { return 100 * ogv_normal_cdf(z); }

/* "45", "8.4" near a limit, "<1", ">99". */
static void centile_words(const compose *c, double centile, int beyond, char *buf, size_t size) {
  char n[OGV_MESSAGE_TEXT];
  if (beyond < 0 || (!beyond && centile < 1)) snprintf(buf, size, "<1");
  else if (beyond > 0 || centile > 99) snprintf(buf, size, ">99");
  else {
    static const double limits[] = {3, 5, 10, 90, 95, 97};
    int decimals = 0;
    for (size_t i = 0; i < 6; i++)
      if (fabs(centile - limits[i]) < 0.75) decimals = 1;
    snprintf(buf, size, "%s", ogv_message_number(c->m, centile, decimals, n));
  }
}

/* dz/dx and dz/dy by central differences; one-sided at the edge of the chart. */
static double slope(const ogv_chart *chart, double x, double y, double hx, double hy) {
  ogv_chart_value a, b, mid;
  bool hi = ogv_chart_eval(chart, x + hx, y + hy, &b, NULL) == OGV_OK && !b.beyond;
  bool lo = ogv_chart_eval(chart, x - hx, y - hy, &a, NULL) == OGV_OK && !a.beyond;
  double h = hx + hy;
  if (hi && lo) return (b.z - a.z) / (2 * h);
  if (ogv_chart_eval(chart, x, y, &mid, NULL) != OGV_OK || mid.beyond) return NAN;
  return hi ? (b.z - mid.z) / h : lo ? (mid.z - a.z) / h : NAN;
}

static bool days_chart(const ogv_chart_info *a) { return !strcmp(a->x_unit, "d") || !strcmp(a->x_unit, "wk"); }

static void whole_centile(double centile, char buf[OGV_MESSAGE_TEXT]) {
  if (centile < 1 || centile > 99) snprintf(buf, OGV_MESSAGE_TEXT, "%s", centile < 1 ? "<1" : ">99");
  else snprintf(buf, OGV_MESSAGE_TEXT, "%.0f", centile);
}

static void add_interval(const compose *c, json_t *o, const ogv_chart *chart, double x, double sd_x,
                         const json_t *value, double z) {
  double y = compose_number(value, "value"), sd = compose_number(value, "sd");
  bool days = !strcmp(ogv_chart_about(chart)->x_unit, "d");
  double dzdy = slope(chart, x, y, 0, fabs(y) * 1e-4), dzdx = slope(chart, x, y, days ? 1 : fabs(x) * 1e-3, 0);
  if (!isfinite(sd) || !isfinite(dzdy)) {
    json_object_set_new(o, "interval_refused", json_string(ogv_message_plain(c->m, "limit.no-sd")));
    return;
  }
  double m = fabs(dzdy) * sd, d = isfinite(dzdx) ? fabs(dzdx) * sd_x : 0, u = hypot(m, d);
  double low = centile_of_z(z - 1.96 * u), high = centile_of_z(z + 1.96 * u);
  json_object_set_new(o, "u_z", json_real(u));
  json_object_set_new(o, "u_parts", json_pack("{s:f,s:f}", "measurement", m, "dating", d));
  json_object_set_new(o, "low", json_real(low));
  json_object_set_new(o, "high", json_real(high));
  char a[OGV_MESSAGE_TEXT], b[OGV_MESSAGE_TEXT], text[2 * OGV_MESSAGE_TEXT + 8];
  whole_centile(low, a);
  whole_centile(high, b);
  if (!strcmp(a, b)) snprintf(text, sizeof text, "%s", a);
  else snprintf(text, sizeof text, "%s–%s", a, b);
  json_object_set_new(o, "interval_text", json_string(text));
}

/* The outermost line that the chart has at x: beyond it only this bound is known. */
static double outer_line(const ogv_chart *chart, double x, int beyond) {
  static const double lines[] = {0.1, 0.5, 1, 2.5, 3, 5, 10, 25};
  double v;
  for (size_t i = 0; i < sizeof lines / sizeof *lines; i++)
    if (ogv_chart_at_centile(chart, x, beyond < 0 ? lines[i] : 100 - lines[i], &v, NULL) == OGV_OK)
      return beyond < 0 ? lines[i] : 100 - lines[i];
  return 50;
}

json_t *compose_centile(compose *c, const ogv_chart *chart, const json_t *value, const json_t *values, double ga_days) {
  const ogv_chart_info *a = ogv_chart_about(chart);
  json_t *o = json_pack("{s:s,s:s,s:s,s:s,s:s,s:s}", "chart", a->id, "title", a->title ? a->title : a->id, "citation",
                        a->citation ? a->citation : "", "doi", a->doi ? a->doi : "", "population",
                        a->population ? a->population : "", "status", a->status ? a->status : "");
  ogv_error e = {0};
  double sd_x, y = compose_number(value, "value");
  const char *convention = fits(a, value, &e);
  double x = convention ? chart_x(c, a, value, values, ga_days, &sd_x, &e) : NAN;
  ogv_chart_value r;
  if (!isfinite(x) || ogv_chart_eval(chart, x, y, &r, &e) != OGV_OK) {
    json_object_set_new(o, "refused", ogv_error_json(&e));
    return o;
  }
  json_object_set_new(o, "x", json_real(x));
  json_object_set_new(o, "x_unit", json_string(a->x_unit));
  json_object_set_new(o, "value", json_real(y));
  json_object_set_new(o, "beyond", json_integer(r.beyond));
  json_object_set_new(o, "median", ogv_json_real(r.median));
  json_object_set_new(o, "mom", ogv_json_real(r.mom));
  json_object_set_new(o, "convention", json_string(convention));
  if (c->circular && days_chart(a)) json_object_set_new(o, "circular", json_true());
  if (!r.beyond && !isfinite(r.z)) { /* a chart of medians: a multiple, no centile */
    char mom[OGV_MESSAGE_TEXT], words[OGV_MESSAGE_TEXT + 8];
    snprintf(words, sizeof words, "%s MoM", ogv_message_number(c->m, r.mom, 2, mom));
    json_object_set_new(o, "text", json_string(words));
    json_object_set_new(o, "multiple", json_true());
    return o;
  }
  int beyond = r.beyond ? r.beyond : fabs(r.z) > a->z_limit ? (r.z < 0 ? -1 : 1) : 0;
  char text[OGV_MESSAGE_TEXT];
  if (r.beyond) { /* "<3": what the outermost line says, and no more */
    double line = outer_line(chart, x, r.beyond);
    char n[OGV_MESSAGE_TEXT];
    json_object_set_new(o, "bound", json_real(line));
    snprintf(text, sizeof text, "%c%.20s", r.beyond < 0 ? '<' : '>',
             ogv_message_number(c->m, line, line == floor(line) ? 0 : 1, n));
  } else centile_words(c, r.centile, beyond, text, sizeof text);
  json_object_set_new(o, "text", json_string(text));
  if (r.beyond) return o; /* the chart resolves no number here, so there is no z and no interval */
  json_object_set_new(o, "z", json_real(r.z));
  json_object_set_new(o, "centile", json_real(r.centile));
  add_interval(c, o, chart, x, sd_x, value, r.z);
  return o;
}

/* References beside the first: only those that give an answer here. */
static void add_compared(compose *c, json_t *list, const json_t *value, const json_t *values, double ga_days,
                         const char *quantity) {
  json_t *others = compose_compared(c, quantity), *id, *have;
  size_t i, k;
  json_array_foreach(others, i, id) {
    const ogv_chart *chart;
    bool known = false;
    const char *name = json_string_value(id) ? json_string_value(id) : "";
    json_array_foreach(list, k, have) known |= !strcmp(ogv_json_string_or(have, "chart", ""), name);
    if (known || ogv_chart_find(name, &chart, NULL) != OGV_OK || !ogv_chart_about(chart)->enabled) continue;
    json_t *centile = compose_centile(c, chart, value, values, ga_days);
    if (*ogv_json_string_or(centile, "text", "")) json_array_append(list, centile);
    json_decref(centile);
  }
  json_decref(others);
}

/* Who chooses the charts of a quantity: this report's draft, else the protocol, else the department; NULL when nobody
 * does and the usual one is taken. */
static const json_t *charts_chosen(const compose *c, const char *quantity, const char **by) {
  const json_t *protocol = ogv_protocol_row(json_object_get(c->facts, "protocol"), quantity);
  const json_t *from[] = {json_object_get(compose_setting(c, "report_charts"), quantity),
                          json_object_get(protocol, "charts"), json_object_get(compose_setting(c, "charts"), quantity)};
  static const char *const who[] = {"report", "protocol", "department"};
  for (size_t i = 0; i < 3; i++)
    if (json_array_size(from[i])) {
      *by = who[i];
      return from[i];
    }
  *by = NULL;
  return NULL;
}

void compose_centiles(compose *c, json_t *value, const json_t *values, double ga_days, bool full) {
  const char *quantity = ogv_json_string_or(value, "quantity", ""), *by;
  const json_t *chosen = charts_chosen(c, quantity, &by), *id;
  json_t *list = json_array();
  const ogv_chart *chart;
  ogv_error e = {0};
  size_t i;
  json_array_foreach(chosen, i, id) {
    if (i && !full) break;
    if (ogv_chart_find(json_string_value(id) ? json_string_value(id) : "", &chart, &e) == OGV_OK)
      json_array_append_new(list, compose_centile(c, chart, value, values, ga_days));
    else
      json_array_append_new(list, json_pack("{s:s,s:o}", "chart", json_string_value(id) ? json_string_value(id) : "",
                                            "refused", ogv_error_json(&e)));
  }
  if (by && strcmp(by, "department")) json_object_set_new(json_array_get(list, 0), "chosen_by", json_string(by));
  if (!json_array_size(list) && ogv_chart_default(quantity, &chart, NULL) == OGV_OK)
    json_array_append_new(list, compose_centile(c, chart, value, values, ga_days));
  if (full && json_array_size(list)) add_compared(c, list, value, values, ga_days, quantity);
  json_object_set_new(value, "centiles", list);
}

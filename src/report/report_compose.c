/* Composing the computed members of the facts from their inputs. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "obstetrics_dating.h"
#include "obstetrics_growth.h"
#include "private/report_compose.h"
#include "report_facts.h"

const json_t *compose_setting(const compose *c, const char *key) {
  return json_object_get(json_object_get(c->facts, "settings"), key);
}

bool compose_date(const json_t *o, const char *key, ogv_date *out) {
  const char *s = json_string_value(json_object_get(o, key));
  *out = OGV_DATE_NONE;
  return s && *s && ogv_date_parse(s, out, NULL) == OGV_OK;
}

void compose_limit(compose *c, const char *code, const char *about, const char *what, const char *todo) {
  json_t *list = json_object_get(c->facts, "limits"), *l;
  size_t i;
  json_array_foreach(list, i, l) if (!strcmp(ogv_json_string_or(l, "code", ""), code) &&
                                     !strcmp(ogv_json_string_or(l, "about", ""), about) &&
                                     !strcmp(ogv_json_string_or(l, "what", ""), what)) return;
  json_array_append_new(
      list, json_pack("{s:s,s:s,s:s,s:s}", "code", code, "about", about, "what", what, "todo", todo ? todo : ""));
}

json_t *compose_text(const compose *c, const char *message, json_t *args) {
  char *text = NULL;
  ogv_error e;
  json_t *v = ogv_message(c->m, message, args, &text, &e) == OGV_OK ? json_string(text) : json_string(message);
  free(text);
  json_decref(args);
  return v;
}

void compose_limit_message(compose *c, const char *code, const char *about, const char *message, const json_t *args) {
  char todo_id[64];
  json_t *what = compose_text(c, message, json_incref((json_t *)args));
  snprintf(todo_id, sizeof todo_id, "%.56s.todo", message);
  json_t *todo =
      ogv_message_known(c->m, todo_id) ? compose_text(c, todo_id, json_incref((json_t *)args)) : json_string("");
  compose_limit(c, code, about, json_string_value(what), json_string_value(todo));
  json_decref(what);
  json_decref(todo);
}

double compose_number(const json_t *o, const char *key) {
  const json_t *v = json_object_get(o, key);
  return json_is_number(v) ? json_number_value(v) : NAN;
}

const json_t *compose_value(const json_t *values, const char *fetus, const char *quantity) {
  size_t i;
  json_t *v;
  json_array_foreach(values, i, v) if (!strcmp(ogv_json_string_or(v, "fetus", ""), fetus) &&
                                       !strcmp(ogv_json_string_or(v, "quantity", ""), quantity)) return v;
  return NULL;
}

int compose_decimals(const ogv_quantity *q) { return q->decimals; }

json_t *compose_plus_minus(const compose *c, double half, int decimals) {
  char number[OGV_MESSAGE_TEXT], text[OGV_MESSAGE_TEXT + 8];
  while (decimals < 4 && half > 0 && half < 0.5 * pow(10, -decimals)) decimals++;
  snprintf(text, sizeof text, "± %s", ogv_message_number(c->m, half, decimals, number));
  return json_string(text);
}

/* Rows of other exams, one group for each exam, in time order: [{"exam","date","place","rows":[...]}]. */
json_t *compose_history_groups(const json_t *history) {
  json_t *groups = json_array(), *row, *g;
  size_t i, k;
  json_array_foreach(history, i, row) {
    const char *exam = ogv_json_string_or(row, "exam", "");
    json_t *found = NULL;
    json_array_foreach(groups, k, g) if (!strcmp(ogv_json_string_or(g, "exam", ""), exam)) found = g;
    if (!found) {
      found = json_pack("{s:s,s:s,s:s,s:[]}", "exam", exam, "date", ogv_json_string_or(row, "date", ""), "place",
                        ogv_json_string_or(row, "place", ""), "rows");
      const char *date = ogv_json_string_or(row, "date", "");
      size_t at = 0;
      while (at < json_array_size(groups) &&
             strcmp(ogv_json_string_or(json_array_get(groups, at), "date", ""), date) <= 0)
        at++;
      json_array_insert_new(groups, at, found);
    }
    json_array_append(json_object_get(found, "rows"), row);
  }
  return groups;
}

static void add_point(compose *c, json_t *series, const json_t *value, const char *exam, const char *date,
                      const char *place, bool current) {
  ogv_date d;
  const json_t *centile = json_array_get(json_object_get(value, "centiles"), 0);
  json_t *p =
      json_pack("{s:s,s:s,s:O,s:O,s:s,s:s,s:b}", "exam", exam, "date", date, "value", json_object_get(value, "value"),
                "sd", json_object_get(value, "sd") ? json_object_get(value, "sd") : json_null(), "text",
                ogv_json_string_or(value, "text", ""), "place", place, "current", current);
  if (!p) return;
  if (c->dated && ogv_date_parse(date, &d, NULL) == OGV_OK)
    json_object_set_new(p, "ga_days", json_integer(ogv_ga_on(c->edd, d)));
  static const char *const keep[] = {"chart", "z", "centile", "u_z"};
  for (size_t i = 0; i < 4; i++) {
    json_t *v = json_object_get(centile, keep[i]);
    if (v) json_object_set(p, keep[i], v);
  }
  const char *text = ogv_json_string_or(centile, "text", "");
  if (*text) json_object_set_new(p, "centile_text", json_string(text));
  json_array_append_new(series, p);
}

static ogv_growth_point point_of(const json_t *p) {
  return (ogv_growth_point){compose_number(p, "ga_days"), compose_number(p, "value"), compose_number(p, "sd")};
}

static void set_finite(json_t *o, const char *key, double v) {
  if (isfinite(v)) json_object_set_new(o, key, json_real(v));
}

/* Where the fetus was to be expected from the scan before. */
static void add_expected(json_t *g, const ogv_chart *chart, const ogv_growth_point *before, double ga_days,
                         const ogv_correlation *k) {
  ogv_growth_projection p;
  if (ogv_growth_project(chart, before, ga_days, k, &p, NULL) != OGV_OK) return;
  json_t *o = json_pack("{s:f,s:f,s:b,s:s}", "value", p.value, "z", p.z, "conditional", p.conditional, "note", p.note);
  set_finite(o, "low", p.low);
  set_finite(o, "high", p.high);
  json_object_set_new(g, "expected", o);
}

static void add_change(const compose *c, json_t *g, const json_t *a, const json_t *b) {
  const ogv_chart *chart;
  ogv_growth_change change;
  ogv_correlation k;
  ogv_error e = {0};
  const char *id = ogv_json_string_or(b, "chart", "");
  if (!*id || ogv_chart_find(id, &chart, NULL) != OGV_OK || strcmp(ogv_chart_about(chart)->x_unit, "d")) return;
  bool known = ogv_correlation_find(id, &k, NULL) == OGV_OK;
  ogv_growth_point p = point_of(a), q = point_of(b);
  if (ogv_growth_between(chart, &p, &q, c->ga_sd, known ? &k : NULL, &change, &e) != OGV_OK) {
    json_object_set_new(g, "refused", ogv_error_json(&e));
    return;
  }
  json_object_set_new(g, "delta_z", json_real(change.dz));
  json_object_set_new(g, "short", json_boolean(change.short_interval));
  json_object_set_new(g, "note", json_string(change.note));
  json_object_set_new(g, "bands_crossed", json_integer(change.bands_crossed));
  json_object_set_new(g, "crosses", json_boolean(change.crosses));
  set_finite(g, "u_delta_z", change.dz_sd_measurement);
  set_finite(g, "u_dating", change.dz_sd_dating);
  set_finite(g, "u_change", change.dz_sd);
  set_finite(g, "per_week", change.velocity);
  set_finite(g, "p_measurement", change.p_measurement);
  set_finite(g, "centile_fall", change.centile_fall);
  set_finite(g, "expected_per_week", change.velocity_expected);
  if (change.conditional)
    json_object_set_new(g, "conditional",
                        json_pack("{s:f,s:f,s:f,s:f,s:s}", "r", change.r, "z", change.z_conditional, "centile",
                                  change.centile_conditional, "z_expected", change.z_expected, "source", k.source));
  add_expected(g, chart, &p, q.ga_days, known ? &k : NULL);
}

/* Change since the scan before (docs/growth.md). */
static void add_growth(const compose *c, json_t *value) {
  json_t *series = json_object_get(value, "series"), *p;
  size_t i, now = SIZE_MAX;
  json_array_foreach(series, i, p) if (json_is_true(json_object_get(p, "current"))) now = i;
  if (now == SIZE_MAX || now == 0) return;
  const json_t *a = json_array_get(series, now - 1), *b = json_array_get(series, now);
  ogv_date da, db;
  if (!compose_date(a, "date", &da) || !compose_date(b, "date", &db) || db <= da) return;
  json_t *g = json_pack("{s:s,s:s,s:i}", "from", ogv_json_string_or(a, "date", ""), "to",
                        ogv_json_string_or(b, "date", ""), "days", (int)(db - da));
  add_change(c, g, a, b);
  json_object_set_new(value, "growth", g);
}

void compose_series(compose *c, json_t *values) {
  json_t *groups = compose_history_groups(json_object_get(c->facts, "history")), *g, *v;
  size_t i, k;
  json_array_foreach(values, i, v) json_object_set_new(v, "series", json_array());
  const char *exam_date = ogv_json_string_or(json_object_get(c->facts, "exam"), "date", "");
  const char *exam_id = ogv_json_string_or(json_object_get(c->facts, "exam"), "id", "");
  const char *here = ogv_json_string_or(json_object_get(c->facts, "exam"), "institution", "");
  bool placed = false;
  json_array_foreach(groups, i, g) {
    ogv_date d;
    const char *date = ogv_json_string_or(g, "date", "");
    if (!placed && strcmp(date, exam_date) > 0) {
      json_array_foreach(values, k, v) add_point(c, json_object_get(v, "series"), v, exam_id, exam_date, here, true);
      placed = true;
    }
    if (ogv_date_parse(date, &d, NULL) != OGV_OK) continue;
    json_t *theirs = compose_exam_values(c, json_object_get(g, "rows"), d, false, false);
    json_array_foreach(values, k, v) {
      const json_t *t =
          compose_value(theirs, ogv_json_string_or(v, "fetus", ""), ogv_json_string_or(v, "quantity", ""));
      if (t && json_object_get(t, "value"))
        add_point(c, json_object_get(v, "series"), t, ogv_json_string_or(g, "exam", ""), date,
                  ogv_json_string_or(g, "place", ""), false);
    }
    json_decref(theirs);
  }
  if (!placed)
    json_array_foreach(values, k, v) add_point(c, json_object_get(v, "series"), v, exam_id, exam_date, here, true);
  json_array_foreach(values, k, v) add_growth(c, v);
  json_decref(groups);
}

static void standing_cautions(compose *c) {
  json_t *list = json_array();
  char id[32];
  for (int i = 1; i < 9; i++) {
    snprintf(id, sizeof id, "caution.%d", i);
    if (!ogv_message_known(c->m, id)) break;
    json_array_append_new(list, json_string(ogv_message_plain(c->m, id)));
  }
  json_object_set_new(c->facts, "cautions", list);
}

ogv_status ogv_facts_compose(json_t *facts, ogv_error *err) {
  OGV_TRY(ogv_facts_check(facts, err));
  compose c = {.facts = facts, .edd = OGV_DATE_NONE};
  OGV_TRY(ogv_messages_load(ogv_json_string_or(json_object_get(facts, "settings"), "language", "en"), &c.m, err));
  compose_date(json_object_get(facts, "exam"), "date", &c.exam_date);
  json_object_set_new(facts, "format", json_string("ogive-facts/1"));
  json_object_set_new(facts, "program", json_pack("{s:s,s:s}", "name", "ogive", "version", OGV_VERSION));
  json_object_set_new(facts, "limits", json_array());
  ogv_status s = compose_dating(&c, err);
  if (s == OGV_OK) {
    json_t *values = compose_exam_values(&c, json_object_get(facts, "ledger"), c.exam_date, true, true);
    compose_series(&c, values);
    json_object_set_new(facts, "values", values);
    compose_assessment(&c);
    compose_references(&c);
    compose_coverage(&c);
    compose_pictures(&c);
    compose_safety(&c);
    compose_colour(&c);
    compose_limits(&c);
    compose_coverage(&c);
    compose_sentences(&c);
    compose_coverage_sentences(&c);
    compose_open(&c);
    compose_edits(&c);
    standing_cautions(&c);
  }
  ogv_messages_free(c.m);
  return s;
}

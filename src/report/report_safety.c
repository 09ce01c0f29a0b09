/* Thermal and mechanical index over the exam, against data/safety/thermal.json. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "core_json.h"
#include "core_resource.h"
#include "obstetrics_dating.h"
#include "private/report_compose.h"

static const char *const index_key[4] = {"mi", "tis", "tib", "tic"};

static void raise(json_t *o, const char *key, double v) {
  double old = compose_number(o, key);
  if (isfinite(v) && (!isfinite(old) || v > old)) json_object_set_new(o, key, json_real(v));
}

static json_t *mode_entry(json_t *list, const char *mode) {
  size_t i;
  json_t *m;
  json_array_foreach(list, i, m) if (!strcmp(ogv_json_string_or(m, "mode", ""), mode)) return m;
  m = json_pack("{s:s,s:i,s:f}", "mode", mode, "objects", 0, "dwell_s", 0.0);
  json_array_append_new(list, m);
  return m;
}

static void count(json_t *o, double seconds) {
  json_object_set_new(o, "objects", json_integer(json_integer_value(json_object_get(o, "objects")) + 1));
  if (isfinite(seconds) && seconds > 0)
    json_object_set_new(o, "dwell_s", json_real(compose_number(o, "dwell_s") + seconds));
}

/* The mode with the strongest exposure names the object: spectrum before colour before M-mode before 2-D. */
static const char *mode_of(const json_t *object) {
  static const char *const order[] = {"spectrum", "colour", "m-mode", "2d"};
  size_t i;
  json_t *m;
  for (int k = 0; k < 4; k++)
    json_array_foreach(json_object_get(object, "modes"), i,
                       m) if (json_is_string(m) && !strcmp(json_string_value(m), order[k])) return order[k];
  return "2d";
}

static void add_object(json_t *safety, json_t *classes, const json_t *object, const char *ti_key) {
  const json_t *ind = json_object_get(object, "indices");
  double mi = compose_number(ind, "mi"), ti = compose_number(ind, ti_key),
         seconds = compose_number(object, "duration_s");
  if (!isfinite(ti) && !isfinite(mi)) {
    json_object_set_new(safety, "unknown", json_integer(json_integer_value(json_object_get(safety, "unknown")) + 1));
    return;
  }
  raise(safety, "mi_max", mi);
  raise(safety, "ti_max", ti);
  json_t *mode = mode_entry(json_object_get(safety, "by_mode"), mode_of(object));
  count(mode, seconds);
  for (int k = 0; k < 4; k++) {
    char key[16];
    snprintf(key, sizeof key, "%s_max", index_key[k]);
    raise(mode, key, compose_number(ind, index_key[k]));
  }
  size_t i;
  json_t *cl;
  json_array_foreach(classes, i, cl) {
    double over = compose_number(cl, "over"), to = compose_number(cl, "to");
    if (isfinite(ti) && (ti > over || i == 0) && (!isfinite(to) || ti <= to)) {
      count(cl, seconds);
      break;
    }
  }
}

static void add_notes(compose *c, json_t *safety, const json_t *table) {
  json_t *notes = json_array(), *m;
  size_t i;
  double ti = compose_number(safety, "ti_max"), limit = compose_number(json_object_get(table, "early_doppler"), "ti");
  double until = compose_number(json_object_get(table, "early_doppler"), "until_days");
  char a[OGV_MESSAGE_TEXT];
  bool doppler = false;
  json_array_foreach(json_object_get(safety, "by_mode"), i, m) {
    const char *mode = ogv_json_string_or(m, "mode", "");
    doppler |= !strcmp(mode, "spectrum") || !strcmp(mode, "colour");
  }
  bool early = c->dated && c->exam_date != OGV_DATE_NONE && ogv_ga_on(c->edd, c->exam_date) <= until;
  if (early && doppler && ti > limit)
    json_array_append_new(
        notes, compose_text(c, "safety.early-doppler", json_pack("{s:s}", "ti", ogv_message_number(c->m, ti, 1, a))));
  json_array_foreach(json_object_get(safety, "classes"), i, m) {
    double minutes = compose_number(m, "minutes"), dwell = compose_number(m, "dwell_s");
    if (json_integer_value(json_object_get(m, "objects")) && isfinite(minutes) && dwell > minutes * 60)
      json_array_append_new(
          notes, compose_text(c, "safety.over",
                              json_pack("{s:s}", "over", ogv_message_number(c->m, compose_number(m, "over"), 1, a))));
  }
  json_object_set_new(safety, "notes", notes);
}

void compose_safety(compose *c) {
  ogv_resource r;
  json_t *table = NULL, *o;
  size_t i;
  if (ogv_resource_get("safety/thermal.json", &r, NULL) != OGV_OK ||
      ogv_json_parse((const char *)r.data, r.size, r.path, &table, NULL) != OGV_OK) {
    json_object_del(c->facts, "safety");
    compose_limit_message(c, "safety", "exam", "limit.no-safety-table", NULL);
    return;
  }
  double until = compose_number(table, "soft_tissue_until_days");
  bool early = c->dated && c->exam_date != OGV_DATE_NONE && ogv_ga_on(c->edd, c->exam_date) <= until;
  json_t *classes = json_array();
  json_array_foreach(json_object_get(table, "classes"), i, o) {
    json_t *cl = json_deep_copy(o);
    json_object_set_new(cl, "objects", json_integer(0));
    json_object_set_new(cl, "dwell_s", json_real(0));
    json_array_append_new(classes, cl);
  }
  json_t *safety = json_pack("{s:s,s:s,s:[],s:i,s:s}", "index", early ? "TIS" : "TIB", "why",
                             ogv_message_plain(c->m, !c->dated ? "safety.undated"
                                                     : early   ? "safety.early"
                                                               : "safety.late"),
                             "by_mode", "unknown", 0, "source", ogv_json_string_or(table, "source", ""));
  json_object_set_new(safety, "classes", classes);
  json_array_foreach(json_object_get(c->facts, "objects"), i, o) {
    const char *kind = ogv_json_string_or(o, "kind", "");
    if (!strcmp(kind, "image") || !strcmp(kind, "clip")) add_object(safety, classes, o, early ? "tis" : "tib");
  }
  add_notes(c, safety, table);
  json_object_set_new(c->facts, "safety", safety);
  json_decref(table);
}

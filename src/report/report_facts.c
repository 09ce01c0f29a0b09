/* Reading the inputs of the facts from the record. */
#include "report_facts.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_date.h"
#include "core_json.h"
#include "dicom_file.h"
#include "obstetrics_dating.h"
#include "obstetrics_quantity.h"
#include "private/report_compose.h"
#include "record_access.h"
#include "record_protocol.h"
#include "report_pdf.h"

static const char *text(const json_t *o, const char *key) { return ogv_json_string_or(o, key, ""); }

static json_t *name_text(const char *pn) {
  char buf[640];
  ogv_dicom_name_text(pn, buf, sizeof buf);
  return json_string(buf);
}

static void copy(json_t *to, const char *key, const json_t *from, const char *from_key) {
  json_t *v = json_object_get(from, from_key);
  if (v && !json_is_null(v)) json_object_set(to, key, v);
}

/* The time of the newest row that goes in stands for "now": the same record gives the same facts. */
static void newest(char as_of[40], const json_t *o, const char *key) {
  const char *t = text(o, key);
  if (strlen(t) < 40 && strcmp(t, as_of) > 0) memcpy(as_of, t, strlen(t) + 1);
}

static void newest_of(char as_of[40], const json_t *list, const char *key) {
  size_t i;
  json_t *o, *e;
  json_array_foreach(list, i, o) {
    size_t k;
    newest(as_of, o, key);
    json_array_foreach(json_object_get(o, "events"), k, e) newest(as_of, e, "when");
  }
}

static json_t *patient_of(const json_t *exam) {
  const json_t *p = json_object_get(exam, "patient");
  json_t *o = json_pack("{s:s,s:s,s:s,s:o,s:s}", "id", text(p, "patient_id"), "issuer", text(p, "issuer"), "name_dicom",
                        text(p, "name"), "name", name_text(text(p, "name")), "birth_date", text(p, "birth_date"));
  ogv_date born, on;
  if (ogv_date_parse(text(p, "birth_date"), &born, NULL) == OGV_OK &&
      ogv_date_parse(text(exam, "date"), &on, NULL) == OGV_OK && on >= born) {
    int y0, m0, d0, y1, m1, d1;
    ogv_date_to_ymd(born, &y0, &m0, &d0);
    ogv_date_to_ymd(on, &y1, &m1, &d1);
    json_object_set_new(o, "age_years", json_integer(y1 - y0 - (m1 < m0 || (m1 == m0 && d1 < d0))));
  }
  return o;
}

static json_t *exam_of(const json_t *exam) {
  static const char *const keep[] = {"id", "date", "time", "study", "accession", "description", "institution"};
  json_t *o = json_object();
  for (size_t i = 0; i < sizeof keep / sizeof *keep; i++)
    json_object_set_new(o, keep[i], json_string(text(exam, keep[i])));
  copy(o, "protocol", exam, "protocol");
  json_object_set_new(o, "referring", name_text(text(exam, "referring")));
  json_object_set_new(o, "performer", name_text(text(exam, "performer")));
  json_object_set_new(
      o, "equipment",
      json_pack("[{s:s,s:s,s:s,s:s}]", "manufacturer", text(exam, "manufacturer"), "model", text(exam, "model"),
                "station", text(exam, "station"), "software", text(exam, "software")));
  return o;
}

/* Labels of the fetuses over the whole pregnancy, in order; one without a label when there is none. */
static json_t *fetuses_of(const json_t *ledger, const json_t *history) {
  json_t *list = json_array(), *row, *o;
  const json_t *both[2] = {ledger, history};
  size_t i, k;
  for (int b = 0; b < 2; b++) json_array_foreach(both[b], i, row) {
      const char *f = text(row, "fetus");
      size_t at = 0;
      bool known = !*f || strlen(f) > 15;
      json_array_foreach(list, k, o) {
        int c = strcmp(json_string_value(o), f);
        known |= c == 0;
        if (c < 0) at = k + 1;
      }
      if (!known && json_array_size(list) < 9) json_array_insert_new(list, at, json_string(f));
    }
  if (!json_array_size(list)) json_array_append_new(list, json_string(""));
  return list;
}

/* With one labelled fetus, rows without a label that belong to a fetus are of that one. */
static void name_fetus(json_t *rows, const json_t *fetuses) {
  size_t i;
  json_t *row;
  if (json_array_size(fetuses) != 1) return;
  const char *only = json_string_value(json_array_get(fetuses, 0));
  json_array_foreach(rows, i, row) {
    bool mother = compose_maternal(text(row, "quantity"));
    if (mother && *text(row, "fetus") && *only) json_object_set_new(row, "fetus", json_string(""));
    else if (!mother && !*text(row, "fetus")) json_object_set_new(row, "fetus", json_string(only));
  }
}

static json_t *row_of(const json_t *m) {
  static const char *const keep[] = {
      "id",  "exam",       "fetus",         "quantity",   "value",  "unit",  "sd",       "source",  "state", "who",
      "why", "supersedes", "superseded_by", "derivation", "object", "frame", "evidence", "version", "date"};
  json_t *o = json_object();
  for (size_t i = 0; i < sizeof keep / sizeof *keep; i++) copy(o, keep[i], m, keep[i]);
  copy(o, "at", m, "when");
  return o;
}

/* What the blind second reading of a row found (docs/server.md): the newest that was recorded. */
static void add_rereads(json_t *rows, const json_t *exam) {
  size_t i, k;
  json_t *row, *e;
  json_array_foreach(rows, i, row) json_array_foreach(json_object_get(exam, "events"), k, e) {
    const json_t *d = json_object_get(e, "detail");
    if (strcmp(text(e, "verb"), "re-read") || strcmp(text(d, "measurement"), text(row, "id"))) continue;
    json_t *o = json_object();
    static const char *const keep[] = {"result", "basis", "second_value", "limit", "reason"};
    for (size_t n = 0; n < sizeof keep / sizeof *keep; n++) copy(o, keep[n], d, keep[n]);
    json_object_set_new(row, "reread", o);
  }
}

static json_t *rows_of(const json_t *list, const char *not_exam) {
  json_t *out = json_array(), *m;
  size_t i;
  json_array_foreach(list, i, m) if (!not_exam || strcmp(text(m, "exam"), not_exam))
      json_array_append_new(out, row_of(m));
  return out;
}

/* Kinds of picture by what the regions hold (DICOM PS3.3 C.8.5.5.1.2 and .3). */
static json_t *modes_of(const json_t *object, bool *calibrated) {
  bool spectrum = false, colour = false, mmode = false, plane = false;
  size_t i;
  json_t *r;
  *calibrated = false;
  json_array_foreach(json_object_get(object, "regions"), i, r) {
    int format = (int)json_integer_value(json_object_get(r, "format")),
        data = (int)json_integer_value(json_object_get(r, "data_type"));
    spectrum |= format == 3;
    mmode |= format == 2;
    plane |= format == 1;
    colour |= data == 2;
    const json_t *axes = json_object_get(r, "measurable"); /* [along x, along y] */
    *calibrated |= json_is_true(json_array_get(axes, 0)) && json_is_true(json_array_get(axes, 1));
  }
  json_t *list = json_array();
  if (spectrum) json_array_append_new(list, json_string("spectrum"));
  if (colour) json_array_append_new(list, json_string("colour"));
  if (mmode) json_array_append_new(list, json_string("m-mode"));
  if (plane || !json_array_size(list)) json_array_append_new(list, json_string("2d"));
  return list;
}

static const char *view_of(const json_t *object) {
  size_t i;
  json_t *m;
  const char *view = text(object, "view_name");
  json_array_foreach(json_object_get(object, "marks"), i,
                     m) if (!strcmp(text(m, "kind"), "caption") && *text(json_object_get(m, "data"), "text")) view =
      text(json_object_get(m, "data"), "text");
  return view;
}

static json_t *object_of(const json_t *x) {
  static const char *const keep[] = {"id",      "kind",          "instance",  "sop_class", "sha256",
                                     "frames",  "rows",          "columns",   "modality",  "burned_in",
                                     "regions", "series_number", "favourite", "group"};
  static const char *const index[4][2] = {
      {"mi", "mechanical_index"}, {"tis", "thermal_soft"}, {"tib", "thermal_bone"}, {"tic", "thermal_cranial"}};
  json_t *o = json_object(), *indices = json_object();
  bool calibrated;
  for (size_t i = 0; i < sizeof keep / sizeof *keep; i++) copy(o, keep[i], x, keep[i]);
  copy(o, "number", x, "instance_number");
  json_object_set_new(o, "view", json_string(view_of(x)));
  json_object_set_new(o, "time", json_string(text(x, "content_time")));
  json_object_set_new(o, "modes", modes_of(x, &calibrated));
  json_object_set_new(o, "calibrated", json_boolean(calibrated));
  for (int i = 0; i < 4; i++) copy(indices, index[i][0], x, index[i][1]);
  json_object_set_new(o, "indices", indices);
  double ms = ogv_json_number_or(x, "duration_ms", 0);
  if (ms > 0) json_object_set_new(o, "duration_s", json_real(ms / 1000));
  return o;
}

static int by_number(const void *a, const void *b) {
  const json_t *x = *(json_t *const *)a, *y = *(json_t *const *)b;
  double s = ogv_json_number_or(x, "series_number", 1e9) - ogv_json_number_or(y, "series_number", 1e9);
  if (s == 0) s = ogv_json_number_or(x, "number", 1e9) - ogv_json_number_or(y, "number", 1e9);
  if (s != 0) return s < 0 ? -1 : 1;
  return strcmp(text(x, "instance"), text(y, "instance"));
}

static json_t *objects_of(const json_t *exam) {
  const json_t *list = json_object_get(exam, "objects");
  size_t n = json_array_size(list), k = 0, i;
  json_t **items = calloc(n ? n : 1, sizeof *items), *out = json_array(), *o;
  if (!items) return out;
  json_array_foreach(list, i, o) if (!json_is_object(json_object_get(o, "removed"))) items[k++] = object_of(o);
  qsort(items, k, sizeof *items, by_number);
  for (i = 0; i < k; i++) json_array_append_new(out, items[i]);
  free(items);
  return out;
}

/* What the record knows: evidence that was written down, and the last period that the objects carry. */
static json_t *dating_of(const json_t *exam) {
  const json_t *pregnancy = json_object_get(exam, "pregnancy"), *decision = json_object_get(exam, "dating");
  json_t *list = json_array(), *e, *o;
  size_t i;
  bool lmp = false;
  static const char *const keep[] = {"basis",       "date",   "cycle_days",    "certain", "embryo_age_days",
                                     "value_mm",    "bpd_mm", "hc_mm",         "ac_mm",   "fl_mm",
                                     "formula",     "exam",   "object",        "who",     "id",
                                     "measurement", "fetus",  "bpd_convention"};
  json_array_foreach(json_object_get(pregnancy, "evidence"), i, e) {
    const json_t *withdrawn = json_object_get(e, "withdrawn");
    if (json_is_true(withdrawn) || json_is_object(withdrawn) ||
        (json_is_string(withdrawn) && json_string_length(withdrawn)))
      continue;
    json_t *v = json_object();
    for (size_t k = 0; k < sizeof keep / sizeof *keep; k++) copy(v, keep[k], e, keep[k]);
    if (!strcmp(text(v, "basis"), "edd") && !*text(v, "date")) copy(v, "date", e, "edd");
    lmp |= !strcmp(text(v, "basis"), "lmp");
    json_array_append_new(list, v);
  }
  json_array_foreach(json_object_get(exam, "objects"), i, o) if (!lmp && *text(o, "lmp")) {
    lmp = true;
    json_array_append_new(list,
                          json_pack("{s:s,s:s,s:s}", "basis", "lmp", "date", text(o, "lmp"), "object", text(o, "id")));
  }
  json_t *dating = json_pack("{s:o}", "evidence", list);
  if (json_is_object(decision)) {
    json_t *d = json_object();
    static const char *const kept[] = {"id", "edd", "sd_days", "rule", "reason", "who", "when", "automatic"};
    for (size_t k = 0; k < sizeof kept / sizeof *kept; k++) copy(d, kept[k], decision, kept[k]);
    json_object_set_new(dating, "decision", d);
  }
  return dating;
}

static json_t *findings_of(const json_t *exam) {
  json_t *out = json_array(), *f;
  size_t i;
  static const char *const keep[] = {"id",   "fetus",   "structure", "state", "reason",
                                     "text", "objects", "data",      "who",   "when"};
  json_array_foreach(json_object_get(exam, "findings"), i, f) {
    if (*text(f, "superseded_by") || !strcmp(text(f, "state"), "removed")) continue;
    json_t *o = json_object();
    for (size_t k = 0; k < sizeof keep / sizeof *keep; k++) copy(o, keep[k], f, keep[k]);
    json_array_append_new(out, o);
  }
  return out;
}

/* Site settings, then what the draft of this report chooses. */
static json_t *settings_of(ogv_store *s, const char *exam) {
  static const char *const site[][2] = {{"language", "report.language"},
                                        {"weight_formula", "weight.formula"},
                                        {"dating_rule", "dating.rule"},
                                        {"charts", "charts"},
                                        {"department", "department"}};
  json_t *o = json_pack("{s:s}", "language", "en"), *all = NULL, *draft = NULL;
  if (ogv_store_settings(s, &all, NULL) == OGV_OK)
    for (size_t i = 0; i < sizeof site / sizeof *site; i++) copy(o, site[i][0], all, site[i][1]);
  if (ogv_store_draft(s, exam, &draft, NULL) == OGV_OK) {
    json_t *chosen = json_object_get(json_object_get(draft, "content"), "settings"), *value;
    const char *key; /* charts chosen for this report go before the protocol's; those of the department do not */
    json_object_foreach(chosen, key, value) json_object_set(o, strcmp(key, "charts") ? key : "report_charts", value);
  }
  json_decref(all);
  json_decref(draft);
  return o;
}

/* Critical results passed on: whom, how, when, about which finding. */
static json_t *told_of(const json_t *exam) {
  json_t *out = json_array(), *e;
  size_t i;
  static const char *const keep[] = {"whom", "how", "when", "finding", "text"};
  json_array_foreach(json_object_get(exam, "events"), i, e) {
    if (strcmp(text(e, "verb"), "told")) continue;
    json_t *o = json_pack("{s:s,s:s}", "who", text(e, "who"), "at", text(e, "when"));
    for (size_t k = 0; k < sizeof keep / sizeof *keep; k++) copy(o, keep[k], json_object_get(e, "detail"), keep[k]);
    json_array_append_new(out, o);
  }
  return out;
}

/* Colour readings that stand: kept as events, since no published table has a row for them. NULL without any. */
static json_t *colour_of(const json_t *exam, char as_of[40]) {
  const json_t *events = json_object_get(exam, "events"), *e, *f;
  json_t *out = json_array();
  size_t i, k;
  static const char *const keep[] = {"id",
                                     "object",
                                     "frame",
                                     "by",
                                     "about",
                                     "geometry",
                                     "colour",
                                     "curve",
                                     "frames_left_out",
                                     "mean_fraction",
                                     "mean_magnitude",
                                     "aliased_fraction",
                                     "pulsatility",
                                     "bar_end_cm_s",
                                     "bar_end_from",
                                     "mean_velocity_cm_s"};
  json_array_foreach(events, i, e) {
    const json_t *d = json_object_get(e, "detail");
    if (strcmp(text(e, "verb"), "colour")) continue;
    newest(as_of, e, "when");
    bool stands = *text(d, "id") && !*text(d, "withdraws");
    json_array_foreach(events, k, f) stands &=
        strcmp(text(f, "verb"), "colour") || strcmp(text(json_object_get(f, "detail"), "withdraws"), text(d, "id"));
    if (!stands) continue;
    json_t *o = json_pack("{s:s,s:s}", "who", text(e, "who"), "at", text(e, "when"));
    for (size_t n = 0; n < sizeof keep / sizeof *keep; n++) copy(o, keep[n], d, keep[n]);
    json_array_append_new(out, o);
  }
  if (json_array_size(out)) return out;
  json_decref(out);
  return NULL;
}

/* What the draft changes of the sentences and of the proposed return visit. */
static json_t *edits_of(ogv_store *s, const char *exam) {
  json_t *draft = NULL, *edits = NULL;
  if (ogv_store_draft(s, exam, &draft, NULL) == OGV_OK)
    edits = json_incref(json_object_get(json_object_get(draft, "content"), "edits"));
  json_decref(draft);
  if (json_is_object(edits)) return edits;
  json_decref(edits);
  return json_object();
}

/* The protocol a person chose, else the one that fits the age; a member that is missing says that none does. */
static ogv_status add_protocol(ogv_store *s, const json_t *exam, json_t *facts, ogv_error *err) {
  json_t *protocol = NULL;
  const char *chosen = text(exam, "protocol");
  if (*chosen) OGV_TRY(ogv_store_protocol(s, chosen, &protocol, err));
  else {
    ogv_date edd, on;
    bool dated = ogv_date_parse(text(json_object_get(exam, "dating"), "edd"), &edd, NULL) == OGV_OK &&
                 ogv_date_parse(text(exam, "date"), &on, NULL) == OGV_OK;
    OGV_TRY(ogv_store_protocol_fitting(s, dated ? ogv_ga_on(edd, on) : -1,
                                       json_array_size(json_object_get(json_object_get(facts, "pregnancy"), "fetuses")),
                                       &protocol, err));
  }
  if (protocol && !*chosen) json_object_set_new(protocol, "by_age", json_true());
  if (protocol) json_object_set_new(facts, "protocol", protocol);
  return OGV_OK;
}

/* The statement that stands: one word for the rules, and the row itself, with who, when and by which signs. */
static void add_chorionicity(json_t *pregnancy, const json_t *rows) {
  const json_t *last = json_array_get(rows, json_array_size(rows) - 1);
  const char *chorion = text(last, "chorionicity"), *amnion = text(last, "amnionicity");
  if (!last || !pregnancy) return;
  char word[60];
  bool mono = !strcmp(chorion, "monochorionic") && strcmp(amnion, "unknown");
  snprintf(word, sizeof word, "%.20s%s%.20s", chorion, mono ? "-" : "", mono ? amnion : "");
  json_object_set_new(pregnancy, "chorionicity", json_string(word));
  json_object_set_new(pregnancy, "amnionicity", json_string(amnion));
  json_object_set_new(pregnancy, "chorionicity_stated", json_deep_copy(last));
}

ogv_status ogv_report_facts(ogv_store *s, const char *exam_id, json_t **out, ogv_error *err) {
  json_t *exam, *all = NULL;
  *out = NULL;
  OGV_TRY(ogv_store_exam(s, exam_id, &exam, err));
  const json_t *pregnancy = json_object_get(exam, "pregnancy");
  ogv_status status = ogv_store_pregnancy_history(s, text(pregnancy, "id"), &all, err);
  if (status != OGV_OK) {
    json_decref(exam);
    return status;
  }
  json_t *ledger = rows_of(json_object_get(exam, "ledger"), NULL), *history = rows_of(all, text(exam, "id"));
  add_rereads(ledger, exam);
  json_t *fetuses = fetuses_of(ledger, history);
  name_fetus(ledger, fetuses);
  name_fetus(history, fetuses);
  char as_of[40] = "";
  newest(as_of, exam, "created");
  newest_of(as_of, json_object_get(exam, "ledger"), "when");
  newest_of(as_of, json_object_get(exam, "objects"), "received");
  newest_of(as_of, json_object_get(exam, "findings"), "when");
  newest_of(as_of, json_object_get(pregnancy, "evidence"), "when");
  newest_of(as_of, all, "when");
  newest_of(as_of, json_object_get(pregnancy, "chorionicity"), "when");
  newest(as_of, json_object_get(exam, "dating"), "when");
  json_t *colour = colour_of(exam, as_of);
  json_t *facts =
      json_pack("{s:s,s:{s:s,s:s,s:i,s:[]},s:o,s:o,s:o,s:{s:s,s:o},s:o,s:o,s:o,s:o,s:o}", "as_of", as_of, "report",
                "state", "draft", "id", "", "version", (int)json_array_size(json_object_get(exam, "reports")) + 1,
                "signatures", "settings", settings_of(s, text(exam, "id")), "patient", patient_of(exam), "exam",
                exam_of(exam), "pregnancy", "id", text(pregnancy, "id"), "fetuses", fetuses, "dating", dating_of(exam),
                "objects", objects_of(exam), "ledger", ledger, "history", history, "findings", findings_of(exam));
  if (facts) {
    add_chorionicity(json_object_get(facts, "pregnancy"), json_object_get(pregnancy, "chorionicity"));
    json_object_set_new(facts, "told", told_of(exam));
    json_object_set_new(facts, "edits", edits_of(s, text(exam, "id")));
    if (colour) json_object_set(facts, "colour_readings", colour);
  }
  json_decref(colour);
  status = facts ? add_protocol(s, exam, facts, err) : OGV_OK;
  if (status == OGV_OK)
    status = facts ? ogv_facts_compose(facts, err) : ogv_fail(err, OGV_E_MEMORY, NULL, "no memory for the facts");
  json_decref(all);
  json_decref(exam);
  if (status == OGV_OK) *out = facts;
  else json_decref(facts);
  return status;
}

ogv_status ogv_report_store_picture(void *store, const char *object_id, int frame, ogv_image *out, ogv_error *err) {
  char *path;
  ogv_dicom *d;
  OGV_TRY(ogv_store_object_path(store, object_id, &path, err));
  ogv_status s = ogv_dicom_open(path, &d, err);
  free(path);
  if (s != OGV_OK) return s;
  s = ogv_dicom_frame(d, frame, out, err);
  ogv_dicom_close(d);
  return s;
}

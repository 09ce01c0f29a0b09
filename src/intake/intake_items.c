/* From the items of a structured report to the ledger and the dating evidence. docs/intake.md has the rules. */
#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_file.h"
#include "core_json.h"
#include "core_unit.h"
#include "imaging_geometry.h"
#include "obstetrics_quantity.h"
#include "private/intake_internal.h"

/* Dates of CID 12003 (DICOM PS3.16). Only what the mother or the clinic said is evidence: a due date that the scanner
 * computed from today's measurements is not independent of them and is left out. */
static const struct {
  const char *value;
  enum { LMP, EDD, EDD_LMP, OVULATION, OWN } what;
} dates[] = {{"11955-2", LMP},       {"8665-2", LMP},  {"11778-8", EDD}, {"11779-6", EDD_LMP},
             {"11780-4", OVULATION}, {"11781-2", OWN}, {"33066-2", OWN}};

ogv_status ogv_intake_pregnancy_of(ogv_store *s, const char *exam, char pregnancy[20], ogv_error *err) {
  return ogv_store_exam_pregnancy(s, exam, pregnancy, err);
}

void ogv_intake_fetus(const char *sent, char label[32]) {
  size_t n = strlen(sent);
  while (n && isspace((unsigned char)sent[n - 1])) n--;
  const char *word = sent + n;
  while (word > sent && !isspace((unsigned char)word[-1]) && word[-1] != '_' && word[-1] != '#') word--;
  size_t k = (size_t)(sent + n - word);
  if (k == 0) snprintf(label, 32, "A");
  else if (k == 1 && isalpha((unsigned char)*word)) snprintf(label, 32, "%c", toupper((unsigned char)*word));
  else if (k == 1 && *word >= '1' && *word <= '9') snprintf(label, 32, "%c", 'A' + *word - '1');
  else snprintf(label, 32, "%.*s", n < 31 ? (int)n : 31, sent);
}

static json_t *item_json(const ogv_report_item *it) {
  static const char *const kinds[] = {"number", "date", "text", "code"};
  char date[OGV_DATE_TEXT] = "";
  if (it->kind == OGV_ITEM_DATE && it->date != OGV_DATE_NONE) ogv_date_text(it->date, date);
  json_t *o = json_pack("{s:s,s:s,s:s,s:s,s:s,s:s,s:b,s:o,s:s,s:s,s:s}", "kind", kinds[it->kind], "path", it->path,
                        "container", it->container, "code", it->code, "scheme", it->scheme, "meaning", it->meaning,
                        "has_value", it->has_value, "value", it->has_value ? ogv_json_real(it->value) : json_null(),
                        "unit", it->unit, "date", date, "text", it->text);
  json_t *more = json_pack("{s:s,s:s,s:s,s:s,s:s,s:s,s:s,s:s,s:s,s:s,s:i}", "fetus", it->fetus, "derivation",
                           it->derivation, "selection", it->selection, "method", it->method, "equation", it->equation,
                           "site", it->site, "site_scheme", it->site_scheme, "laterality", it->laterality, "vessel",
                           it->vessel, "image_instance", it->image_instance, "image_frame", it->image_frame);
  if (!o || !more || json_object_update(o, more)) {
    json_decref(o);
    json_decref(more);
    return NULL;
  }
  json_decref(more);
  if (it->graphic && it->n_points) {
    ogv_geometry g = {(ogv_geometry_kind)it->graphic, it->n_points, (double *)it->points};
    json_object_set_new(o, "geometry", ogv_geometry_to_json(&g));
  }
  return o;
}

ogv_status ogv_intake_read_items(ogv_dicom *d, json_t **out, ogv_error *err) {
  ogv_report_item *items;
  size_t n;
  OGV_TRY(ogv_dicom_report_items(d, &items, &n, err));
  *out = json_array();
  ogv_status s = OGV_OK;
  for (size_t i = 0; s == OGV_OK && i < n; i++) {
    json_t *o = item_json(&items[i]);
    if (!o || json_array_append_new(*out, o))
      s = ogv_fail(err, OGV_E_CORRUPT, NULL, "report item %s is not readable text", items[i].path);
  }
  free(items);
  if (s != OGV_OK) {
    json_decref(*out);
    *out = NULL;
  }
  return s;
}

static const char *get(const json_t *it, const char *key) { return ogv_json_string_or(it, key, ""); }

static int date_kind(const json_t *it) {
  for (size_t i = 0; i < sizeof dates / sizeof *dates; i++)
    if (!strcmp(get(it, "scheme"), "LN") && !strcmp(get(it, "code"), dates[i].value)) return dates[i].what;
  return -1;
}

static ogv_date item_date(const json_t *it) {
  ogv_date d;
  return ogv_date_parse(get(it, "date"), &d, NULL) == OGV_OK ? d : OGV_DATE_NONE;
}

void ogv_intake_dates_of(const json_t *items, char lmp[OGV_DATE_TEXT], char edd[OGV_DATE_TEXT]) {
  *lmp = *edd = 0;
  size_t i;
  json_t *it;
  json_array_foreach((json_t *)items, i, it) {
    ogv_date d = item_date(it);
    if (strcmp(get(it, "kind"), "date") || d == OGV_DATE_NONE) continue;
    int what = date_kind(it);
    if (what == LMP) ogv_date_text(d, lmp);
    if (what == EDD || ((what == EDD_LMP || what == OVULATION) && !*edd)) ogv_date_text(d, edd);
  }
}

/* --- one report being taken in ---------------------------------------------------------------------------------- */
typedef struct intake {
  ogv_store *s;
  const json_t *items;
  const char *object, *exam, *who;
  char pregnancy[20];
  json_t *unused, *seen; /* seen: how often a reading occurred so far in this report */
  json_t *keys, *sent;   /* keys of its readings; quantities it has, as "fetus/quantity" */
  int measurements, known, evidence;
} intake;

static void unused(intake *t, const json_t *it, const char *why) {
  json_array_append_new(
      t->unused, json_pack("{s:s,s:s,s:s,s:s,s:O,s:s,s:s}", "path", get(it, "path"), "code", get(it, "code"), "scheme",
                           get(it, "scheme"), "meaning", get(it, "meaning"), "value", json_object_get(it, "value"),
                           "unit", get(it, "unit"), "why", why));
}

/* Left or right from the meaning that was sent; sides are words of one root in every edition of the code lists. */
static const char *side_of(const json_t *it) {
  const char *l = get(it, "laterality");
  return strcasestr(l, "left") ? "left" : strcasestr(l, "right") ? "right" : "";
}

static const ogv_quantity *quantity_of(const json_t *it, const char **why) {
  const char *code = get(it, "code"), *scheme = get(it, "scheme");
  *why = "this concept is not in the table of quantities";
  const ogv_vessel *v = ogv_vessel_by_code(get(it, "site"), get(it, "site_scheme"));
  if (v) {
    const ogv_quantity *q = ogv_quantity_by_vessel(v->id, side_of(it), code, scheme);
    if (!q) *why = "this measure of this vessel is not in the table of quantities, or its side was not sent";
    return q;
  }
  if (*get(it, "vessel")) {
    *why = "the vessel is not in the table of quantities";
    return NULL;
  }
  return ogv_quantity_by_code(code, scheme);
}

static const char *derivation_of(const json_t *it) {
  static const struct {
    const char *code, *word;
  } words[] = {{"373098007", "mean"},   {"R-00317", "mean"},   {"373099004", "median"},     {"R-00319", "median"},
               {"371912002", "best"},   {"R-002E1", "best"},   {"258090004", "calculated"}, {"414135002", "estimated"},
               {"258083009", "visual"}, {"373100007", "mode"}, {"255605001", "minimum"},    {"56851009", "maximum"}};
  /* A reading that the sender's user chose, or whose mean was chosen, goes before how it was derived. */
  if (!strcmp(get(it, "selection"), "121410")) return "chosen";
  if (!strcmp(get(it, "selection"), "121412")) return "mean";
  const char *d = get(it, "derivation");
  for (size_t i = 0; i < sizeof words / sizeof *words; i++)
    if (!strcmp(d, words[i].code)) return words[i].word;
  return "";
}

static ogv_status image_json(intake *t, const json_t *it, json_t **out, ogv_error *err) {
  const char *instance = get(it, "image_instance");
  *out = NULL;
  if (!*instance) return OGV_OK; /* a number without a picture: not traceable to pixels */
  int frame = (int)ogv_json_number_or(it, "image_frame", 0);
  json_t *o = json_pack("{s:s,s:i}", "instance", instance, "frame", frame > 0 ? frame - 1 : 0), *object = NULL;
  ogv_error none = {0};
  ogv_status s = ogv_store_object(t->s, instance, &object, &none); /* the picture may not have arrived (yet) */
  if (s != OGV_OK && s != OGV_E_NOT_FOUND) {
    json_decref(o);
    if (err) *err = none;
    return s;
  }
  if (object) json_object_set(o, "object", json_object_get(object, "id"));
  json_decref(object);
  json_t *g = json_object_get(it, "geometry");
  if (g) json_object_set(o, "geometry", g);
  *out = o;
  return OGV_OK;
}

static json_t *evidence_json(const intake *t, const json_t *it, json_t *image) {
  json_t *e = json_pack("{s:s,s:s,s:s,s:{s:s,s:s,s:s},s:{s:O,s:s,s:s}}", "type", "report-item", "object", t->object,
                        "path", get(it, "path"), "code", "value", get(it, "code"), "scheme", get(it, "scheme"),
                        "meaning", get(it, "meaning"), "sent", "value", json_object_get(it, "value"), "unit",
                        get(it, "unit"), "fetus", get(it, "fetus"));
  static const char *const optional[] = {"method", "equation",   "selection", "derivation",
                                         "site",   "laterality", "container"};
  for (size_t i = 0; e && i < sizeof optional / sizeof *optional; i++)
    if (*get(it, optional[i])) json_object_set_new(e, optional[i], json_string(get(it, optional[i])));
  if (e && image) json_object_set(e, "image", image);
  return e;
}

/* The key makes a reading count once however often its report is sent: scanners send the whole report again after every
 * change, with the earlier readings in it. The third equal reading of one report is told from the second by its number.
 */
static json_t *key_of(intake *t, const json_t *it, const ogv_quantity *q, const char *fetus, const char *derivation) {
  char text[512], hash[OGV_SHA256_TEXT];
  snprintf(text, sizeof text, "%.40s|%.31s|%.20s|%.17g|%.31s|%.71s|%d", q->id, fetus, derivation,
           ogv_json_number_or(it, "value", NAN), get(it, "unit"), get(it, "image_instance"),
           (int)ogv_json_number_or(it, "image_frame", 0));
  json_int_t k = json_integer_value(json_object_get(t->seen, text)) + 1;
  json_object_set_new(t->seen, text, json_integer(k));
  ogv_sha256(text, strlen(text), hash);
  return json_sprintf("sr:%.32s:%d", hash, (int)k);
}

/* As the ledger keeps it: the mother's own measures belong to no fetus (record_store.h). */
static const char *fetus_kept(const ogv_quantity *q, const char *fetus) {
  return !strcmp(q->kind, "cervix") || !strcmp(q->vessel, "uterine-artery") ? "" : fetus;
}

static ogv_status take_number(intake *t, const json_t *it, ogv_error *err) {
  const char *why;
  const ogv_quantity *q = quantity_of(it, &why);
  if (!q) return unused(t, it, why), OGV_OK;
  if (!json_is_true(json_object_get(it, "has_value"))) return unused(t, it, "the report gives no value for it"), OGV_OK;
  double value;
  ogv_error no = {0};
  if (ogv_unit_convert(ogv_json_number_or(it, "value", NAN), get(it, "unit"), q->unit, &value, &no) != OGV_OK ||
      ogv_quantity_plausible(q, value, &no) != OGV_OK)
    return unused(t, it, no.what), OGV_OK;
  char fetus[32], id[20];
  ogv_intake_fetus(get(it, "fetus"), fetus);
  json_t *image;
  OGV_TRY(image_json(t, it, &image, err));
  const char *derivation = derivation_of(it);
  json_t *key = key_of(t, it, q, fetus, derivation);
  json_object_set_new(t->keys, json_string_value(key), json_true());
  char about[96];
  snprintf(about, sizeof about, "%s/%s", fetus_kept(q, fetus), q->id);
  json_object_set_new(t->sent, about, json_true());
  json_t *row =
      json_pack("{s:s,s:s,s:s,s:f,s:s,s:o,s:s,s:s,s:s,s:o,s:s,s:s,s:o}", "exam", t->exam, "fetus", fetus, "quantity",
                q->id, "value", value, "unit", q->unit, "sd", ogv_json_real(ogv_quantity_sd(q, value)), "source",
                "imported", "state", "accepted", "derivation", derivation, "evidence", evidence_json(t, it, image),
                "object", t->object, "why", "", "key", key);
  json_decref(image);
  if (!row) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory at a report item");
  bool added = false;
  ogv_status s = ogv_store_measure_once(t->s, row, t->who, id, &added, err);
  json_decref(row);
  if (s == OGV_OK) (*(added ? &t->measurements : &t->known))++;
  return s;
}

static ogv_status add_evidence(intake *t, const char *basis, ogv_date date, ogv_date edd, const char *path,
                               ogv_error *err) {
  char a[OGV_DATE_TEXT], b[OGV_DATE_TEXT];
  ogv_date_text(date, a);
  ogv_date_text(edd, b);
  json_t *e = json_pack("{s:s,s:s,s:s,s:s,s:s,s:s,s:o}", "basis", basis, "date", a, "edd", b, "exam", t->exam, "object",
                        t->object, "path", path, "key", json_sprintf("%s:%s", basis, a));
  if (!e) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory at dating evidence");
  ogv_status s = ogv_store_dating_evidence(t->s, t->pregnancy, e, t->who, err);
  json_decref(e);
  if (s == OGV_OK) t->evidence++;
  return s;
}

/* The last period counts as stated; a due date of its own is evidence only when no stated period explains it. */
static ogv_status take_date(intake *t, const json_t *it, ogv_date stated_lmp, ogv_error *err) {
  int what = date_kind(it);
  ogv_date d = item_date(it);
  const char *path = get(it, "path");
  if (what < 0) return unused(t, it, "this date is not used"), OGV_OK;
  if (d == OGV_DATE_NONE) return unused(t, it, "the date cannot be read"), OGV_OK;
  if (what == OWN) return unused(t, it, "the sender's own estimate from its measurements; Ogive makes its own"), OGV_OK;
  if (what == LMP) return add_evidence(t, "lmp", d, d + 280, path, err);
  if (stated_lmp != OGV_DATE_NONE && d == stated_lmp + 280)
    return unused(t, it, "follows from the last period"), OGV_OK;
  if (what == EDD_LMP) {
    if (stated_lmp == OGV_DATE_NONE) return add_evidence(t, "lmp", d - 280, d, path, err);
    return unused(t, it, "does not fit the last period stated in the same report"), OGV_OK;
  }
  if (what == OVULATION) return add_evidence(t, "conception", d - 266, d, path, err); /* 266 days: 280 less 14 */
  return add_evidence(t, "edd", d, d, path, err);
}

/* Number of fetuses (11878-6 LN): stated once for the pregnancy, again only when it differs. */
static ogv_status take_fetuses(intake *t, const json_t *it, ogv_error *err) {
  double n = ogv_json_number_or(it, "value", 0);
  if (!(n >= 1 && n <= 9) || n != floor(n)) return unused(t, it, "not a number of fetuses"), OGV_OK;
  json_t *p, *detail;
  OGV_TRY(ogv_store_pregnancy(t->s, t->pregnancy, &p, err));
  bool known = ogv_json_number_or(p, "fetuses_stated", 0) == n;
  json_decref(p);
  if (known) return OGV_OK;
  detail = json_pack("{s:i,s:s,s:s}", "count", (int)n, "object", t->object, "path", get(it, "path"));
  ogv_status st = ogv_store_event(t->s, "pregnancy", t->pregnancy, "fetuses", detail, t->who, err);
  json_decref(detail);
  return st;
}

/* A report sent again that lacks a reading an earlier one had: somebody may have removed it on the scanner. The earlier
 * row stays, and it is said. */
static ogv_status note_missing(intake *t, ogv_error *err) {
  json_t *e, *r;
  size_t i;
  OGV_TRY(ogv_store_exam(t->s, t->exam, &e, err));
  ogv_status st = OGV_OK;
  json_array_foreach(json_object_get(e, "ledger"), i, r) {
    const char *key = ogv_json_string_or(r, "key", ""), *quantity = ogv_json_string_or(r, "quantity", "");
    char about[96], text[256];
    snprintf(about, sizeof about, "%.30s/%.60s", ogv_json_string_or(r, "fetus", ""), quantity);
    if (st != OGV_OK || strncmp(key, "sr:", 3) || json_object_get(t->keys, key) || !json_object_get(t->sent, about))
      continue;
    if (strcmp(ogv_json_string_or(r, "state", ""), "accepted") || json_is_string(json_object_get(r, "superseded_by")))
      continue;
    snprintf(text, sizeof text,
             "The newest report no longer has %s %.6g %s%s%s, sent by an earlier one. Look which one counts.", quantity,
             ogv_json_number_or(r, "value", NAN), ogv_json_string_or(r, "unit", ""),
             *ogv_json_string_or(r, "fetus", "") ? " of fetus " : "", ogv_json_string_or(r, "fetus", ""));
    json_t *detail =
        json_pack("{s:s,s:O,s:s}", "text", text, "measurement", json_object_get(r, "id"), "object", t->object);
    st = ogv_store_note(t->s, t->exam, "reading-gone", detail, "ogive", err);
    json_decref(detail);
  }
  json_decref(e);
  return st;
}

ogv_status ogv_intake_items(ogv_store *s, const json_t *items, const char *object, const char *exam, const char *who,
                            bool fresh, json_t *line, ogv_error *err) {
  intake t = {.s = s,
              .items = items,
              .object = object,
              .exam = exam,
              .who = who,
              .unused = json_array(),
              .seen = json_object(),
              .keys = json_object(),
              .sent = json_object()};
  ogv_date stated = OGV_DATE_NONE;
  size_t i;
  json_t *it;
  ogv_status st = ogv_intake_pregnancy_of(s, exam, t.pregnancy, err);
  json_array_foreach((json_t *)items, i, it) if (!strcmp(get(it, "kind"), "date") && date_kind(it) == LMP) stated =
      item_date(it);
  json_array_foreach((json_t *)items, i, it) {
    if (st != OGV_OK) break;
    bool fetuses = !strcmp(get(it, "code"), "11878-6") && !strcmp(get(it, "scheme"), "LN");
    if (!strcmp(get(it, "kind"), "number")) st = fetuses ? take_fetuses(&t, it, err) : take_number(&t, it, err);
    else if (!strcmp(get(it, "kind"), "date")) st = take_date(&t, it, stated, err);
  }
  if (st == OGV_OK && fresh && json_object_size(t.keys)) st = note_missing(&t, err);
  json_object_set_new(line, "items",
                      json_pack("{s:i,s:i,s:i,s:o}", "measurements", t.measurements, "known", t.known, "evidence",
                                t.evidence, "unused", t.unused));
  json_decref(t.seen);
  json_decref(t.keys);
  json_decref(t.sent);
  return st;
}

ogv_status ogv_intake_lmp(ogv_store *s, const char *exam, const char *object, const char *lmp, const char *path,
                          const char *who, ogv_error *err) {
  ogv_date d;
  OGV_TRY(ogv_date_parse(lmp, &d, err));
  intake t = {.s = s, .object = object, .exam = exam, .who = who};
  OGV_TRY(ogv_intake_pregnancy_of(s, exam, t.pregnancy, err));
  return add_evidence(&t, "lmp", d, d + 280, path, err);
}

#include "obstetrics_dating_scans.h"

#include <stdio.h>
#include <string.h>

#include "core_date.h"
#include "core_json.h"
#include "obstetrics_protocol.h"
#include "obstetrics_readings.h"
#include "private/obstetrics_dating_table.h"

static const char *const sizes[] = {"bpd", "hc", "ac", "fl"};

static bool dates(const char *quantity) {
  bool size = !strcmp(quantity, "crl");
  for (size_t i = 0; i < 4; i++) size |= !strcmp(quantity, sizes[i]);
  return size;
}

/* Labels of the fetuses that have a length that dates, in the order in which they come. */
static json_t *labels(const json_t *exams) {
  json_t *list = json_array(), *exam, *row, *known;
  size_t i, k, j;
  json_array_foreach(exams, i, exam) json_array_foreach(json_object_get(exam, "rows"), k, row) {
    const char *fetus = ogv_json_string_or(row, "fetus", "");
    bool there = !dates(ogv_json_string_or(row, "quantity", ""));
    json_array_foreach(list, j, known) there |= !strcmp(json_string_value(known), fetus);
    if (!there) json_array_append_new(list, json_string(fetus));
  }
  return list;
}

static bool read(const json_t *exam, const char *quantity, const char *fetus, ogv_readings *r) {
  const ogv_quantity *q = ogv_quantity_find(quantity);
  return q && ogv_readings_choose(json_object_get(exam, "rows"), q, fetus,
                                  ogv_protocol_repeats(json_object_get(exam, "protocol"), quantity, NULL), r);
}

static void add_rows(json_t *piece, const ogv_readings *r) {
  for (size_t i = 0; i < r->n_use; i++)
    json_array_append(json_object_get(piece, "measurements"), json_object_get(r->use[i]->row, "id"));
}

static json_t *piece_of(const char *basis, const json_t *exam, const char *fetus) {
  json_t *p = json_pack("{s:s,s:s,s:[],s:O,s:O}", "basis", basis, "unit", "mm", "measurements", "date",
                        json_object_get(exam, "date"), "exam", json_object_get(exam, "exam"));
  if (p && fetus) json_object_set_new(p, "fetus", json_string(fetus));
  return p;
}

static void set_length(json_t *piece, const char *name, const ogv_readings *r) {
  char mm[16];
  snprintf(mm, sizeof mm, "%.8s_mm", name);
  json_object_set_new(piece, name, json_real(r->value));
  json_object_set_new(piece, mm, json_real(r->value));
  add_rows(piece, r);
}

static void add_biometry(const json_t *exam, const char *fetus, const char *said, json_t *out, bool *done,
                         ogv_readings *r) {
  json_t *p = NULL;
  bool dates_alone = false; /* a head or a femur; an abdomen only helps */
  for (size_t k = 0; k < 4; k++) {
    if (!read(exam, sizes[k], fetus, r)) continue;
    if (!p) p = piece_of("biometry", exam, said);
    set_length(p, sizes[k], r);
    dates_alone |= strcmp(sizes[k], "ac") != 0;
    /* Formulas are made for one placement of the calipers; the engine converts, and says so. */
    if (!k && !strcmp(ogv_readings_convention(ogv_quantity_find("bpd"), r->use[0]), "outer-inner"))
      json_object_set_new(p, "bpd_convention", json_string("outer-inner"));
  }
  if (dates_alone) *done = json_array_append_new(out, p) == 0;
  else json_decref(p);
}

/* A crown-rump length that dates well leaves nothing for a later size to add. */
static bool dates_well(double crl_mm) {
  const ogv_dating_table *t;
  if (ogv_dating_table_get(&t, NULL) != OGV_OK) return false;
  for (size_t i = 0; i < t->n_rules; i++)
    if (t->rules[i].about.is_default) return !(crl_mm > t->rules[i].crl_high_mm);
  return true;
}

ogv_status ogv_dating_scans(const json_t *exams, json_t **out, ogv_error *err) {
  json_t *fetuses = labels(exams), *fetus, *exam;
  size_t i, k;
  ogv_readings r;
  *out = json_array();
  bool several = json_array_size(fetuses) > 1, memory = !fetuses || !*out;
  json_array_foreach(fetuses, k, fetus) {
    const char *label = json_string_value(fetus), *said = several && *label ? label : NULL;
    bool sized = false;
    json_array_foreach(exams, i, exam) {
      ogv_date date;
      if (memory || ogv_date_parse(ogv_json_string_or(exam, "date", ""), &date, NULL) != OGV_OK) continue;
      if (read(exam, "crl", label, &r)) {
        json_t *p = piece_of("crl", exam, said);
        if (p) set_length(p, "value", &r);
        sized |= dates_well(r.value);
        memory |= json_array_append_new(*out, p) != 0;
      }
      if (!sized) add_biometry(exam, label, said, *out, &sized, &r);
    }
  }
  json_decref(fetuses);
  if (!memory) return OGV_OK;
  json_decref(*out);
  *out = NULL;
  return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory at dating evidence");
}

#include <limits.h>
#include <math.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_resource.h"
#include "private/obstetrics_dating_table.h"

static ogv_dating_table table;
static json_t *formulas_file, *rules_file; /* strings are borrowed from them */
static ogv_status load_status;
static ogv_error load_error;
static pthread_once_t once = PTHREAD_ONCE_INIT;

static const char *const words[] = {"", "lmp", "conception", "transfer", "crl", "sac", "biometry", "edd"};

const char *ogv_dating_word(ogv_dating_basis b) { return b >= OGV_DATING_LMP && b <= OGV_DATING_EDD ? words[b] : ""; }

ogv_dating_basis ogv_dating_basis_of(const char *word) {
  for (int b = OGV_DATING_LMP; word && b <= OGV_DATING_EDD; b++)
    if (!strcmp(words[b], word)) return (ogv_dating_basis)b;
  return (ogv_dating_basis)0;
}

static ogv_status read_sd(const json_t *sd, ogv_dating_row *r, ogv_error *err) {
  const char *id = r->about.id;
  r->sd_days = r->sd_relative = NAN;
  if (json_is_number(sd)) {
    r->sd_days = json_number_value(sd);
    return OGV_OK;
  }
  if (json_object_get(sd, "terms")) {
    r->sd_by_terms = true;
    return ogv_terms_read(sd, id, &r->sd_terms, err);
  }
  if (json_object_get(sd, "relative")) return ogv_json_number(sd, id, "relative", &r->sd_relative, err);
  const json_t *bands = json_object_get(sd, "bands");
  r->n_bands = json_array_size(bands);
  if (!r->n_bands || r->n_bands > OGV_DATING_BANDS)
    return ogv_fail(err, OGV_E_INVALID, NULL, "dating/formulas.json, %s: \"sd\" is not understood", id);
  for (size_t i = 0; i < r->n_bands; i++)
    for (size_t k = 0; k < 3; k++) r->bands[i][k] = json_number_value(json_array_get(json_array_get(bands, i), k));
  return OGV_OK;
}

static ogv_status read_formula(const json_t *v, ogv_dating_row *r, ogv_error *err) {
  ogv_dating_formula *a = &r->about;
  const char *basis;
  OGV_TRY(ogv_json_string(v, "dating/formulas.json", "id", &a->id, err));
  OGV_TRY(ogv_json_string(v, a->id, "basis", &basis, err));
  OGV_TRY(ogv_json_string(v, a->id, "title", &a->title, err));
  OGV_TRY(ogv_json_string(v, a->id, "citation", &a->citation, err));
  OGV_TRY(ogv_json_string(v, a->id, "status", &a->status, err));
  OGV_TRY(ogv_json_string(v, a->id, "sd_source", &a->sd_source, err));
  OGV_TRY(ogv_json_string(v, a->id, "sd_status", &a->sd_status, err));
  a->basis = ogv_dating_basis_of(basis);
  if (a->basis != OGV_DATING_CRL && a->basis != OGV_DATING_SAC && a->basis != OGV_DATING_BIOMETRY)
    return ogv_fail(err, OGV_E_INVALID, NULL, "dating/formulas.json, %s: unknown basis %.20s", a->id, basis);
  r->from_memory = !strcmp(a->status, "from-memory");
  a->note = ogv_json_string_or(v, "note", "");
  a->code = ogv_json_string_or(v, "code", "");
  a->bpd_convention = ogv_json_string_or(v, "bpd", "");
  a->value_low = ogv_json_number_or(v, "value_low", NAN);
  a->value_high = ogv_json_number_or(v, "value_high", NAN);
  a->ga_low = ogv_json_number_or(v, "ga_low", NAN);
  a->ga_high = ogv_json_number_or(v, "ga_high", NAN);
  OGV_TRY(ogv_terms_read(v, a->id, &r->terms, err));
  return read_sd(json_object_get(v, "sd"), r, err);
}

static ogv_status read_calendar(const json_t *all, const char *key, ogv_calendar_row *c, ogv_error *err) {
  const json_t *v = json_object_get(all, key);
  OGV_TRY(ogv_json_string(v, key, "citation", &c->citation, err));
  OGV_TRY(ogv_json_string(v, key, "status", &c->status, err));
  OGV_TRY(ogv_json_string(v, key, "sd_source", &c->sd_source, err));
  OGV_TRY(ogv_json_string(v, key, "sd_status", &c->sd_status, err));
  c->length_days = ogv_json_number_or(v, "length_days", 0);
  c->sd = ogv_json_number_or(v, "sd", ogv_json_number_or(v, "sd_certain", NAN));
  c->sd_uncertain = ogv_json_number_or(v, "sd_uncertain", NAN);
  c->low = ogv_json_number_or(v, "cycle_low", ogv_json_number_or(v, "age_low", NAN));
  c->flag = ogv_json_number_or(v, "cycle_flag", NAN);
  c->high = ogv_json_number_or(v, "cycle_high", ogv_json_number_or(v, "age_high", NAN));
  if (!(c->sd > 0)) return ogv_fail(err, OGV_E_INVALID, NULL, "dating/formulas.json, %s: the SD is missing", key);
  return OGV_OK;
}

static ogv_status read_rule(const json_t *v, const char *standard, ogv_dating_rule_row *r, ogv_error *err) {
  ogv_dating_rule *a = &r->about;
  OGV_TRY(ogv_json_string(v, "dating/rules.json", "id", &a->id, err));
  OGV_TRY(ogv_json_string(v, a->id, "title", &a->title, err));
  OGV_TRY(ogv_json_string(v, a->id, "citation", &a->citation, err));
  OGV_TRY(ogv_json_string(v, a->id, "status", &a->status, err));
  a->note = ogv_json_string_or(v, "note", "");
  a->is_default = !strcmp(a->id, standard);
  if (a->is_default && !strcmp(a->status, "from-memory"))
    return ogv_fail(err, OGV_E_INVALID, NULL, "%s: a rule from memory cannot be the default", a->id);
  r->period_first = json_is_true(json_object_get(v, "period_first"));
  r->crl_low_mm = ogv_json_number_or(v, "crl_low_mm", NAN);
  r->crl_high_mm = ogv_json_number_or(v, "crl_high_mm", NAN);
  r->suboptimal_from_days = (int)ogv_json_number_or(v, "suboptimal_from_days", INT_MAX);
  r->caution_from_days = (int)ogv_json_number_or(v, "caution_from_days", INT_MAX);
  const json_t *bands = json_object_get(v, "bands");
  r->n_bands = json_array_size(bands);
  if (r->n_bands > OGV_DATING_BANDS || (r->period_first && !r->n_bands))
    return ogv_fail(err, OGV_E_INVALID, NULL, "dating/rules.json, %s: \"bands\" must hold 1 to %d rows", a->id,
                    OGV_DATING_BANDS);
  for (size_t i = 0; i < r->n_bands; i++)
    for (size_t k = 0; k < 3; k++)
      r->bands[i][k] = (int)json_integer_value(json_array_get(json_array_get(bands, i), k));
  return OGV_OK;
}

static ogv_status parse(const char *path, json_t **out, ogv_error *err) {
  ogv_resource r;
  OGV_TRY(ogv_resource_get(path, &r, err));
  return ogv_json_parse((const char *)r.data, r.size, path, out, err);
}

static ogv_status load(ogv_error *err) {
  const char *standard;
  OGV_TRY(parse("dating/formulas.json", &formulas_file, err));
  OGV_TRY(parse("dating/rules.json", &rules_file, err));
  const json_t *f = json_object_get(formulas_file, "formulas"), *r = json_object_get(rules_file, "rules"),
               *c = json_object_get(formulas_file, "calendar");
  for (int i = 0; i < OGV_VARS; i++) table.var[i] = ogv_quantity_find(ogv_var_word(i));
  table.rows = calloc(json_array_size(f) + 1, sizeof *table.rows);
  table.rules = calloc(json_array_size(r) + 1, sizeof *table.rules);
  if (!table.rows || !table.rules) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  OGV_TRY(ogv_error_in(err, read_calendar(c, "lmp", &table.lmp, err), "dating/formulas.json"));
  OGV_TRY(ogv_error_in(err, read_calendar(c, "conception", &table.conception, err), "dating/formulas.json"));
  OGV_TRY(ogv_error_in(err, read_calendar(c, "transfer", &table.transfer, err), "dating/formulas.json"));
  OGV_TRY(ogv_error_in(err, read_calendar(c, "edd", &table.edd, err), "dating/formulas.json"));
  for (; table.n < json_array_size(f); table.n++)
    OGV_TRY(
        ogv_error_in(err, read_formula(json_array_get(f, table.n), &table.rows[table.n], err), "dating/formulas.json"));
  OGV_TRY(ogv_json_string(rules_file, "dating/rules.json", "default", &standard, err));
  for (; table.n_rules < json_array_size(r); table.n_rules++)
    OGV_TRY(ogv_error_in(err, read_rule(json_array_get(r, table.n_rules), standard, &table.rules[table.n_rules], err),
                         "dating/rules.json"));
  return OGV_OK;
}

static void load_once(void) { load_status = load(&load_error); }

ogv_status ogv_dating_table_get(const ogv_dating_table **out, ogv_error *err) {
  pthread_once(&once, load_once);
  if (load_status != OGV_OK) {
    if (err) *err = load_error;
    return load_status;
  }
  *out = &table;
  return OGV_OK;
}

ogv_status ogv_dating_check(ogv_error *err) {
  const ogv_dating_table *t;
  return ogv_dating_table_get(&t, err);
}

const ogv_dating_formula *ogv_dating_formula_at(size_t i) {
  const ogv_dating_table *t;
  return ogv_dating_table_get(&t, NULL) == OGV_OK && i < t->n ? &t->rows[i].about : NULL;
}

const ogv_dating_rule *ogv_dating_rule_at(size_t i) {
  const ogv_dating_table *t;
  return ogv_dating_table_get(&t, NULL) == OGV_OK && i < t->n_rules ? &t->rules[i].about : NULL;
}

#include "obstetrics_weight.h"

#include <math.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_resource.h"
#include "obstetrics_quantity.h"
#include "obstetrics_ratio.h"
#include "private/obstetrics_terms.h"

typedef struct {
  ogv_weight_formula about;
  ogv_terms terms;
} formula;

static struct {
  json_t *file; /* strings are borrowed from it */
  formula *rows;
  size_t n;
  ogv_status status;
  ogv_error err;
} table;
static pthread_once_t once = PTHREAD_ONCE_INIT;

static ogv_status read_formula(const json_t *v, const char *standard, formula *f, ogv_error *err) {
  static const char where[] = "weight/formulas.json";
  ogv_weight_formula *a = &f->about;
  OGV_TRY(ogv_json_string(v, where, "id", &a->id, err));
  OGV_TRY(ogv_json_string(v, a->id, "title", &a->title, err));
  OGV_TRY(ogv_json_string(v, a->id, "citation", &a->citation, err));
  OGV_TRY(ogv_json_string(v, a->id, "status", &a->status, err));
  OGV_TRY(ogv_json_number(v, a->id, "low_g", &a->low_g, err));
  OGV_TRY(ogv_json_number(v, a->id, "high_g", &a->high_g, err));
  a->error_sd_percent = ogv_json_number_or(v, "error_sd_percent", NAN);
  a->error_source = ogv_json_string_or(v, "error_source", "");
  a->bpd_convention = ogv_json_string_or(v, "bpd", "");
  a->code = ogv_json_string_or(v, "code", "");
  a->note = ogv_json_string_or(v, "note", "");
  a->is_default = !strcmp(a->id, standard);
  a->ga_low_days = ogv_json_number_or(v, "ga_low_days", NAN);
  if (a->is_default && !strcmp(a->status, "from-memory"))
    return ogv_fail(err, OGV_E_INVALID, NULL, "%s: a formula from memory cannot be the default", a->id);
  OGV_TRY(ogv_terms_read(v, a->id, &f->terms, err));
  a->needs_bpd = f->terms.uses[OGV_VAR_BPD];
  a->needs_hc = f->terms.uses[OGV_VAR_HC];
  a->needs_ac = f->terms.uses[OGV_VAR_AC];
  a->needs_fl = f->terms.uses[OGV_VAR_FL];
  for (int i = OGV_VAR_FL + 1; i < OGV_VARS; i++)
    if (f->terms.uses[i]) return ogv_fail(err, OGV_E_INVALID, NULL, "%s: a weight uses BPD, HC, AC and FL only", a->id);
  return OGV_OK;
}

static ogv_status load(ogv_error *err) {
  ogv_resource r;
  const char *standard;
  OGV_TRY(ogv_resource_get("weight/formulas.json", &r, err));
  OGV_TRY(ogv_json_parse((const char *)r.data, r.size, "weight/formulas.json", &table.file, err));
  OGV_TRY(ogv_json_string(table.file, "weight/formulas.json", "default", &standard, err));
  const json_t *list = json_object_get(table.file, "formulas");
  size_t n = json_array_size(list);
  table.rows = calloc(n + 1, sizeof *table.rows);
  if (!table.rows) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  for (size_t i = 0; i < n; i++) OGV_TRY(read_formula(json_array_get(list, i), standard, &table.rows[i], err));
  table.n = n;
  return OGV_OK;
}

static void load_once(void) {
  table.status = ogv_error_in(&table.err, load(&table.err), "weight/formulas.json");
  if (table.status != OGV_OK) table.n = 0;
}

const ogv_weight_formula *ogv_weight_formula_at(size_t i) {
  pthread_once(&once, load_once);
  return i < table.n ? &table.rows[i].about : NULL;
}

const ogv_weight_formula *ogv_weight_formula_find(const char *id) {
  pthread_once(&once, load_once);
  for (size_t i = 0; i < table.n; i++)
    if (id ? !strcmp(table.rows[i].about.id, id) : table.rows[i].about.is_default) return &table.rows[i].about;
  return NULL;
}

double ogv_weight_raw(const ogv_weight_formula *f, double bpd_mm, double hc_mm, double ac_mm, double fl_mm) {
  const double mm[OGV_VARS] = {
      [OGV_VAR_BPD] = bpd_mm, [OGV_VAR_HC] = hc_mm, [OGV_VAR_AC] = ac_mm, [OGV_VAR_FL] = fl_mm};
  return ogv_terms_value(&((const formula *)f)->terms, mm, NULL);
}

ogv_status ogv_weight_check(ogv_error *err) {
  pthread_once(&once, load_once);
  if (table.status != OGV_OK && err) *err = table.err;
  return table.status;
}

static ogv_status within(const char *a, double x, const char *b, double y, double low, double high, ogv_error *err) {
  if (isnan(x) || isnan(y) || (x / y >= low && x / y <= high)) return OGV_OK;
  return ogv_fail(err, OGV_E_RANGE, "Check the unit of both; all lengths are taken in the unit stated.",
                  "%s of %.6g mm and %s of %.6g mm cannot belong to one fetus", a, x, b, y);
}

/* The limits are far outside dysplasia and hydrocephalus; only a slip of unit or a wrong item reaches them (our
 * choice). */
ogv_status ogv_lengths_consistent(double bpd, double hc, double ac, double fl, ogv_error *err) {
  OGV_TRY(within("HC", hc, "FL", fl, 2.2, 30, err));
  OGV_TRY(within("AC", ac, "FL", fl, 2, 30, err));
  OGV_TRY(within("BPD", bpd, "FL", fl, 0.6, 9, err));
  OGV_TRY(within("HC", hc, "AC", ac, 0.35, 3, err));
  return within("HC", hc, "BPD", bpd, 2.2, 6, err);
}

static ogv_status check_inputs(const formula *f, const ogv_weight_input *in, double mm[OGV_VARS], ogv_weight *out,
                               ogv_error *err) {
  for (int i = OGV_VAR_BPD; i <= OGV_VAR_FL; i++) {
    const ogv_quantity *q = ogv_quantity_find(ogv_var_word(i));
    if (!f->terms.uses[i]) continue;
    if (!q) return ogv_quantity_plausible(q, mm[i], err);
    if (isnan(mm[i]))
      return ogv_fail(err, OGV_E_INVALID, "Measure it, or choose a formula that does not need it.", "%s needs %s",
                      f->about.title, q->symbol);
    OGV_TRY(ogv_quantity_plausible(q, mm[i], err));
  }
  if (f->terms.uses[OGV_VAR_BPD] && *f->about.bpd_convention)
    OGV_TRY(ogv_bpd_convert(mm[OGV_VAR_BPD], in->bpd_convention ? in->bpd_convention : "outer-outer",
                            f->about.bpd_convention, &mm[OGV_VAR_BPD], &out->bpd_converted, err));
  return ogv_lengths_consistent(in->bpd_mm, in->hc_mm, in->ac_mm, in->fl_mm, err);
}

static void propagate(const formula *f, const ogv_weight_input *in, const double mm[OGV_VARS],
                      const double slope[OGV_VARS], ogv_weight *out) {
  const double sd[] = {in->bpd_sd, in->hc_sd, in->ac_sd, in->fl_sd};
  double sum = 0, along = 0; /* along: change of the weight when all lengths stretch together */
  for (int i = OGV_VAR_BPD; i <= OGV_VAR_FL; i++) {
    bool known = sd[i] > 0;
    double part = !f->terms.uses[i] ? 0 : known ? fabs(slope[i]) * sd[i] : NAN;
    out->part_sd_g[i] = part;
    sum += part * part;
    if (f->terms.uses[i]) along += slope[i] * mm[i];
  }
  double cal = in->calibration_sd > 0 ? fabs(along) * in->calibration_sd : 0;
  out->part_sd_g[4] = cal;
  out->repeat_sd_g = sqrt(sum + cal * cal);
  out->error_sd_g = out->grams * f->about.error_sd_percent / 100;
}

ogv_status ogv_weight_estimate(const char *id, const ogv_weight_input *in, ogv_weight *out, ogv_error *err) {
  const ogv_weight_formula *about = ogv_weight_formula_find(id);
  *out = (ogv_weight){.formula = about, .grams = NAN, .repeat_sd_g = NAN, .error_sd_g = NAN};
  if (!about) {
    if (table.status != OGV_OK) {
      if (err) *err = table.err;
      return table.status;
    }
    return ogv_fail(err, OGV_E_NOT_FOUND, "ogive weight --list shows the formulas.",
                    "there is no weight formula \"%.60s\"", id ? id : "");
  }
  const formula *f = (const formula *)about;
  if (!strcmp(about->status, "from-memory") && !in->allow_unconfirmed)
    return ogv_fail(err, OGV_E_UNSUPPORTED, "Choose a confirmed formula, or allow unconfirmed ones on purpose.",
                    "%s is written from memory and switched off", about->title);
  if (in->ga_days > 0 && in->ga_days < about->ga_low_days)
    return ogv_fail(err, OGV_E_RANGE, "Use a formula made for this age, for example Hadlock 1985.",
                    "%s is not made for %.1f weeks (from %.0f on)", about->title, in->ga_days / 7,
                    about->ga_low_days / 7);
  double mm[OGV_VARS] = {in->bpd_mm, in->hc_mm, in->ac_mm, in->fl_mm}, slope[OGV_VARS];
  OGV_TRY(check_inputs(f, in, mm, out, err));
  double grams = ogv_terms_value(&f->terms, mm, slope);
  if (!(grams >= about->low_g && grams <= about->high_g))
    return ogv_fail(err, OGV_E_RANGE, "Check the measurements; another formula may reach further.",
                    "%s gives %.0f g, outside the %.0f to %.0f g it is used for", about->title, grams, about->low_g,
                    about->high_g);
  out->grams = grams;
  propagate(f, in, mm, slope, out);
  return OGV_OK;
}

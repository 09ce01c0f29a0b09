#include "obstetrics_protocol.h"

#include <stdio.h>
#include <string.h>

#include "charts_chart.h"
#include "core_json.h"
#include "obstetrics_quantity.h"

static ogv_status check_chart(const json_t *v, const char *quantity, const char *where, ogv_error *err) {
  const ogv_chart *c;
  const char *id = json_string_value(v);
  if (!id) return ogv_fail(err, OGV_E_INVALID, NULL, "%s: %s: a chart id is no text", where, quantity);
  if (ogv_chart_find(id, &c, err) != OGV_OK) return ogv_error_at(err, OGV_E_NOT_FOUND, "%s: %s", where, quantity);
  const ogv_chart_info *f = ogv_chart_about(c);
  if (strcmp(f->quantity, quantity))
    return ogv_fail(err, OGV_E_INVALID, "Name a chart of this quantity; ogive chart list shows them.",
                    "%s: chart %s is not for %s", where, id, quantity);
  if (!f->enabled)
    return ogv_fail(err, OGV_E_UNSUPPORTED, "Name a chart that is switched on.",
                    "%s: %s: chart %s is switched off (it is from memory)", where, quantity, id);
  return OGV_OK;
}

static ogv_status check_row(const json_t *row, const char *where, ogv_error *err) {
  const char *quantity;
  size_t i;
  json_t *v;
  ogv_repeat_rule rule;
  OGV_TRY(ogv_json_string(row, where, "quantity", &quantity, err));
  if (!ogv_quantity_find(quantity))
    return ogv_fail(err, OGV_E_NOT_FOUND, "GET /api/quantities lists them.", "%s: there is no quantity \"%.60s\"",
                    where, quantity);
  double repeats = ogv_json_number_or(row, "repeats", 1);
  if (repeats < 1 || repeats > 9)
    return ogv_fail(err, OGV_E_RANGE, NULL, "%s: %s: repeats is not 1 to 9", where, quantity);
  const json_t *said = json_object_get(row, "rule");
  if (said && !ogv_repeat_rule_of(json_string_value(said), &rule)) {
    const char *word = json_string_value(said);
    return ogv_fail(err, OGV_E_INVALID, "Use mean, best, last, smallest or largest.",
                    "%s: %s: there is no rule \"%.40s\" for repeated readings", where, quantity,
                    word ? word : "that is no text");
  }
  const json_t *charts = json_object_get(row, "charts"), *with = json_object_get(row, "with");
  if ((charts && !json_is_array(charts)) || (with && !json_is_array(with)))
    return ogv_fail(err, OGV_E_INVALID, NULL, "%s: %s: \"%s\" is not a list", where, quantity,
                    charts && !json_is_array(charts) ? "charts" : "with");
  json_array_foreach(with, i, v) if (!json_is_string(v) || !ogv_quantity_find(json_string_value(v))) return ogv_fail(
      err, OGV_E_NOT_FOUND, NULL, "%s: %s: \"with\" names no quantity", where, quantity);
  json_array_foreach(charts, i, v) OGV_TRY(check_chart(v, quantity, where, err));
  return OGV_OK;
}

static ogv_status check_group(const json_t *group, const char *where, ogv_error *err) {
  const char *name, *text;
  size_t j;
  json_t *row;
  char at[200];
  OGV_TRY(ogv_json_string(group, where, "title", &name, err));
  snprintf(at, sizeof at, "%.90s, %.90s", where, name);
  json_array_foreach(json_object_get(group, "rows"), j, row) OGV_TRY(check_row(row, at, err));
  json_array_foreach(json_object_get(group, "structures"), j, row) {
    OGV_TRY(ogv_json_string(row, at, "id", &text, err));
    OGV_TRY(ogv_json_string(row, at, "name", &text, err));
  }
  return OGV_OK;
}

ogv_status ogv_protocol_check(const json_t *p, const char *where, ogv_error *err) {
  const char *id, *title;
  OGV_TRY(ogv_json_string(p, where, "id", &id, err));
  OGV_TRY(ogv_json_string(p, where, "title", &title, err));
  if (!*title || strlen(title) > 120)
    return ogv_fail(err, OGV_E_INVALID, NULL, "%s: the title is empty or longer than 120", where);
  double low = ogv_json_number_or(p, "ga_low", 0), high = ogv_json_number_or(p, "ga_high", 315);
  if (low < 0 || high > 315 || low > high)
    return ogv_fail(err, OGV_E_RANGE, "Ages are whole days from 0 to 315.",
                    "%s: the ages %.0f to %.0f days are not possible", where, low, high);
  const json_t *groups = json_object_get(p, "groups");
  if (!json_is_array(groups) || json_array_size(groups) < 1 || json_array_size(groups) > 40)
    return ogv_fail(err, OGV_E_INVALID, NULL, "%s: \"groups\" is not a list of 1 to 40 groups", where);
  size_t i;
  json_t *group;
  json_array_foreach(groups, i, group) OGV_TRY(check_group(group, where, err));
  return OGV_OK;
}

const json_t *ogv_protocol_row(const json_t *protocol, const char *quantity) {
  size_t i, k;
  json_t *group, *row;
  json_array_foreach(json_object_get(protocol, "groups"), i, group)
      json_array_foreach(json_object_get(group, "rows"), k,
                         row) if (!strcmp(ogv_json_string_or(row, "quantity", ""), quantity)) return row;
  return NULL;
}

ogv_repeat_rule ogv_protocol_repeats(const json_t *protocol, const char *quantity, bool *stated) {
  ogv_repeat_rule rule = OGV_REPEATS_MEAN;
  bool said =
      ogv_repeat_rule_of(json_string_value(json_object_get(ogv_protocol_row(protocol, quantity), "rule")), &rule);
  if (stated) *stated = said;
  return rule;
}

#include "cli_data.h"

#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>

#include "charts_chart.h"
#include "core_json.h"
#include "core_resource.h"
#include "obstetrics_dating.h"
#include "obstetrics_protocol.h"
#include "obstetrics_quantity.h"
#include "obstetrics_rules.h"
#include "obstetrics_weight.h"

static ogv_status check_protocol(void *user, const ogv_resource *r, ogv_error *err) {
  json_t *p;
  (void)user;
  OGV_TRY(ogv_json_parse((const char *)r->data, r->size, r->path, &p, err));
  ogv_status s = ogv_protocol_check(p, r->path, err);
  json_decref(p);
  return s;
}

static ogv_status check_protocols(ogv_error *err) { return ogv_resource_each("protocols/", check_protocol, NULL, err); }

ogv_status ogv_cli_check_data(ogv_error *err) {
  /* In the order in which they lean on each other. */
  static const struct {
    const char *files;
    ogv_status (*check)(ogv_error *);
  } tables[] = {{"quantities.json", ogv_quantity_check},
                {"conventions.json", ogv_convention_check},
                {"charts/", ogv_chart_check},
                {"weight/formulas.json", ogv_weight_check},
                {"dating/", ogv_dating_check},
                {"rules/", ogv_rule_check},
                {"protocols/", check_protocols}};
  const char *folder = getenv("OGIVE_DATA");
  struct stat st;
  if (!folder || !*folder) return OGV_OK;
  if (stat(folder, &st) || !S_ISDIR(st.st_mode))
    return ogv_fail(err, OGV_E_NOT_FOUND, "Name the folder with your department's data files, or unset OGIVE_DATA.",
                    "OGIVE_DATA names %.300s, which is no folder", folder);
  for (size_t i = 0; i < sizeof tables / sizeof *tables; i++) {
    ogv_error e = {0};
    ogv_status s = tables[i].check(&e);
    if (s == OGV_OK) continue;
    ogv_error_in(&e, s, tables[i].files);
    return ogv_fail(err, s, *e.todo ? e.todo : "Correct that file in the folder that OGIVE_DATA names, or take it out.",
                    "%.200s/%.300s", folder, e.what);
  }
  return OGV_OK;
}

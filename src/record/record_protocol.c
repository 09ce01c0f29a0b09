#include "record_protocol.h"

#include <stdio.h>
#include <string.h>

#include "core_json.h"
#include "core_resource.h"
#include "obstetrics_protocol.h"
#include "record_access.h"

ogv_status ogv_store_protocol(ogv_store *s, const char *id, json_t **out, ogv_error *err) {
  char key[120], path[120];
  ogv_error none;
  ogv_resource res;
  snprintf(key, sizeof key, "protocol.%.80s", id);
  if (ogv_store_setting(s, key, out, &none) == OGV_OK) {
    if (json_is_object(*out)) {
      json_object_set_new(*out, "edited", json_true());
      return OGV_OK;
    }
    json_decref(*out);
  }
  snprintf(path, sizeof path, "protocols/%.80s.json", id);
  ogv_status st = ogv_resource_get(path, &res, err);
  if (st == OGV_E_NOT_FOUND)
    return ogv_fail(err, st, "Choose one of those that there are.", "there is no protocol \"%.60s\"", id);
  if (st != OGV_OK) return st;
  OGV_TRY(ogv_json_parse((const char *)res.data, res.size, path, out, err));
  st = ogv_protocol_check(*out, path, err); /* a setting was checked when it was stored */
  if (st == OGV_OK) return st;
  json_decref(*out);
  *out = NULL;
  return st;
}

typedef struct search {
  ogv_store *store;
  int ga_days;
  size_t fetuses;
  json_t *best;
} search;

static double width(const json_t *p) {
  return ogv_json_number_or(p, "ga_high", 0) - ogv_json_number_or(p, "ga_low", 0);
}

static void consider(search *f, json_t *p) {
  double low = ogv_json_number_or(p, "ga_low", -1), high = ogv_json_number_or(p, "ga_high", -1),
         least = ogv_json_number_or(p, "fetuses_min", 1);
  if (low < 0 || high < 0 || f->ga_days < low || f->ga_days > high || least > (double)f->fetuses) return;
  if (f->best) {
    double other = ogv_json_number_or(f->best, "fetuses_min", 1);
    if (other > least || (other == least && width(f->best) <= width(p))) return;
    json_decref(f->best);
  }
  f->best = json_incref(p);
}

static ogv_status visit(void *user, const ogv_resource *res, ogv_error *err) {
  search *f = user;
  const char *name = res->path + strlen("protocols/");
  size_t n = strlen(name);
  char id[90];
  json_t *p;
  if (n < 6 || n > 80 || strcmp(name + n - 5, ".json")) return OGV_OK;
  snprintf(id, sizeof id, "%.*s", (int)(n - 5), name);
  OGV_TRY(ogv_store_protocol(f->store, id, &p, err));
  consider(f, p);
  json_decref(p);
  return OGV_OK;
}

ogv_status ogv_store_protocol_fitting(ogv_store *s, int ga_days, size_t fetuses, json_t **out, ogv_error *err) {
  search f = {s, ga_days, fetuses ? fetuses : 1, NULL};
  *out = NULL;
  if (ga_days < 0) return OGV_OK;
  json_t *settings = NULL, *value;
  const char *key;
  ogv_status st = ogv_resource_each("protocols/", visit, &f, err);
  if (st == OGV_OK) st = ogv_store_settings(s, &settings, err);
  json_object_foreach(settings, key, value) if (!strncmp(key, "protocol.", 9) && json_is_object(value))
      consider(&f, value);
  json_decref(settings);
  if (st != OGV_OK) json_decref(f.best);
  else *out = f.best;
  return st;
}

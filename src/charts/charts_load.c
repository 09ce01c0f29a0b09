/* The charts shipped in the program, with those of the department (OGIVE_DATA) over them. */
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "core_resource.h"
#include "private/charts_model.h"

static pthread_once_t once = PTHREAD_ONCE_INIT;
static ogv_chart **charts;
static size_t n_charts, capacity;
static ogv_status first_status = OGV_OK; /* of the first file that could not be read */
static ogv_error first_error;

static void remember(ogv_status s, const ogv_error *e) {
  if (first_status != OGV_OK) return;
  first_status = s;
  first_error = *e;
}

static ogv_status keep(ogv_chart *c, const char *path, ogv_error *err) {
  for (size_t i = 0; i < n_charts; i++) {
    const ogv_chart_info *a = &charts[i]->info, *b = &c->info;
    if (!strcmp(a->id, b->id))
      return ogv_fail(err, OGV_E_CONFLICT, "Give one of them another id.", "%s: there are two charts \"%s\"", path,
                      b->id);
    if (a->default_for_quantity && b->default_for_quantity && !strcmp(a->quantity, b->quantity))
      return ogv_fail(err, OGV_E_CONFLICT, "Keep \"default\" in one of them.",
                      "%s: both %s and %s are the default chart of %s", path, a->id, b->id, b->quantity);
  }
  if (n_charts == capacity) {
    size_t more = capacity ? capacity * 2 : 256;
    ogv_chart **p = realloc(charts, more * sizeof *p);
    if (!p) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
    charts = p;
    capacity = more;
  }
  charts[n_charts++] = c;
  return OGV_OK;
}

/* A chart that cannot be read is left out and remembered; it does not take the others with it. */
static void load_one(json_t *doc, const char *path) {
  ogv_error e;
  ogv_chart *c = NULL;
  ogv_status s = ogv_chart_from_json(doc, path, &c, &e);
  if (s == OGV_OK) s = keep(c, path, &e);
  if (s != OGV_OK) {
    ogv_error_in(&e, s, path);
    ogv_chart_free(c);
    remember(s, &e);
  }
}

static ogv_status load_file(void *user, const ogv_resource *r, ogv_error *err) {
  (void)user;
  (void)err;
  size_t n = strlen(r->path);
  if (n < 5 || strcmp(r->path + n - 5, ".json")) return OGV_OK;
  ogv_error e;
  json_t *root = NULL, *list = NULL;
  ogv_status s = ogv_json_parse((const char *)r->data, r->size, r->path, &root, &e);
  if (s == OGV_OK) s = ogv_chart_split(root, r->path, &list, &e);
  if (s != OGV_OK) remember(ogv_error_in(&e, s, r->path), &e);
  for (size_t i = 0; i < json_array_size(list); i++) load_one(json_array_get(list, i), r->path);
  json_decref(list);
  json_decref(root);
  return OGV_OK;
}

static int by_id(const void *a, const void *b) {
  return strcmp((*(ogv_chart *const *)a)->info.id, (*(ogv_chart *const *)b)->info.id);
}

static void load_all(void) {
  ogv_error e;
  ogv_status s = ogv_resource_each("charts/", load_file, NULL, &e);
  if (s != OGV_OK) remember(s, &e);
  if (n_charts) qsort(charts, n_charts, sizeof *charts, by_id);
}

ogv_status ogv_chart_check(ogv_error *err) {
  pthread_once(&once, load_all);
  if (first_status != OGV_OK && err) *err = first_error;
  return first_status;
}

const ogv_chart *ogv_chart_at(size_t i) {
  pthread_once(&once, load_all);
  return i < n_charts ? charts[i] : NULL;
}

const ogv_chart_info *ogv_chart_about(const ogv_chart *c) { return &c->info; }
const json_t *ogv_chart_definition(const ogv_chart *c) { return c->doc; }

/* Edit distance, for "did you mean"; long ids are cut. */
static unsigned distance(const char *a, const char *b) {
  unsigned row[64];
  size_t n = strnlen(b, 63);
  for (size_t j = 0; j <= n; j++) row[j] = (unsigned)j;
  for (size_t i = 0; a[i] && i < 63; i++) {
    unsigned diagonal = row[0];
    row[0] = (unsigned)i + 1;
    for (size_t j = 0; j < n; j++) {
      unsigned best = diagonal + (a[i] != b[j]);
      if (row[j] + 1 < best) best = row[j] + 1;
      if (row[j + 1] + 1 < best) best = row[j + 1] + 1;
      diagonal = row[j + 1];
      row[j + 1] = best;
    }
  }
  return row[n];
}

static ogv_status unknown(const char *id, ogv_error *err) {
  /* Charts of a quantity of that name come first, then the nearest spellings. */
  char todo[256] = "Near: ";
  size_t used = strlen(todo);
  unsigned found = 0;
  for (unsigned d = 0; d <= 8 && found < 4; d++)
    for (size_t i = 0; i < n_charts && found < 4; i++) {
      const ogv_chart_info *f = &charts[i]->info;
      unsigned far = strcmp(f->quantity, id) ? distance(id, f->id) : 0;
      if (far != d || used + strlen(f->id) + 3 > sizeof todo) continue;
      used += (size_t)snprintf(todo + used, sizeof todo - used, "%s%s", found++ ? ", " : "", f->id);
    }
  if (!found) snprintf(todo, sizeof todo, "ogive chart list shows them all.");
  if (first_status != OGV_OK)
    return ogv_fail(err, OGV_E_NOT_FOUND, todo, "there is no chart \"%.60s\" (and a file could not be read: %.300s)",
                    id, first_error.what);
  return ogv_fail(err, OGV_E_NOT_FOUND, todo, "there is no chart \"%.60s\"", id);
}

ogv_status ogv_chart_find(const char *id, const ogv_chart **out, ogv_error *err) {
  pthread_once(&once, load_all);
  size_t lo = 0, hi = n_charts;
  while (lo < hi) {
    size_t mid = (lo + hi) / 2;
    int d = strcmp(charts[mid]->info.id, id);
    if (d == 0) {
      *out = charts[mid];
      return OGV_OK;
    }
    if (d < 0) lo = mid + 1;
    else hi = mid;
  }
  *out = NULL;
  return unknown(id, err);
}

ogv_status ogv_chart_default(const char *quantity, const ogv_chart **out, ogv_error *err) {
  *out = NULL;
  for (size_t i = 0; ogv_chart_at(i); i++) {
    const ogv_chart_info *f = &charts[i]->info;
    if (f->default_for_quantity && !strcmp(f->quantity, quantity)) {
      *out = charts[i];
      return OGV_OK;
    }
  }
  return ogv_fail(err, OGV_E_NOT_FOUND, "ogive chart list shows the charts there are.",
                  "no chart is the default for \"%.60s\"%s%.200s", quantity, first_status == OGV_OK ? "" : "; ",
                  first_status == OGV_OK ? "" : first_error.what);
}

ogv_status ogv_chart_for_formula(const char *formula, const ogv_chart **out, ogv_error *err) {
  const ogv_chart *best = NULL;
  for (size_t i = 0; ogv_chart_at(i); i++) {
    const ogv_chart_info *f = &charts[i]->info;
    if (!f->enabled || strcmp(f->formula, formula) || !*f->formula) continue;
    if (!best || (f->default_for_quantity && !best->info.default_for_quantity)) best = charts[i];
  }
  *out = best;
  if (best) return OGV_OK;
  return ogv_fail(err, OGV_E_NOT_FOUND, "Choose a chart by its id, and say so in the report.",
                  "no chart was made with the weight formula \"%.60s\"", formula);
}

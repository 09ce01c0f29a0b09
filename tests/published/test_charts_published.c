/* Every chart against the tables it was published with, cell by cell. tests/published/tables/index.json says which
 * table belongs to which chart, with what tolerance and why; each table's first lines name its source and how sure it
 * is. Three kinds are counted apart: "published" cells, cells "computed" from published equations by someone else (a
 * test of the code, not of the coefficients), and cells from memory (charts that are switched off). */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "charts_chart.h"
#include "core_json.h"

enum { PUBLISHED, COMPUTED, MEMORY, KINDS };
static const char *const kind_words[KINDS] = {"published", "computed", "memory"};
static unsigned cells[KINDS], checked[KINDS], digit[KINDS], failures;

#define COLUMNS 32
typedef struct {
  char line[1024];
  char *field[COLUMNS];
  int n;
} row;

/* None of the tables quotes a field. */
static int read_row(FILE *f, row *r) {
  do {
    if (!fgets(r->line, sizeof r->line, f)) return 0;
  } while (r->line[0] == '#');
  r->line[strcspn(r->line, "\r\n")] = 0;
  r->n = 0;
  for (char *p = r->line; p && r->n < COLUMNS;) {
    r->field[r->n++] = p;
    p = strchr(p, ',');
    if (p) *p++ = 0;
  }
  return r->line[0] != 0;
}

static const char *get(const row *head, const row *r, const char *name) {
  for (int i = 0; i < head->n && i < r->n; i++)
    if (!strcmp(head->field[i], name)) return r->field[i];
  fail_msg("no column %s", name);
  return "";
}

/* The charts that were compared with anything, by their place in the list. */
static unsigned char compared[1024];
static void mark(const ogv_chart *c) {
  for (size_t i = 0; ogv_chart_at(i); i++)
    if (ogv_chart_at(i) == c) compared[i] = 1;
}

static int listed(const json_t *list, const char *word) {
  size_t i;
  json_t *v;
  json_array_foreach(list, i, v) if (!strcmp(json_string_value(v), word)) return 1;
  return 0;
}

/* The chart of a row: named for the column, the table, a column that picks it, or built from two columns. */
static const ogv_chart *chart_of(const json_t *t, const json_t *col, const row *head, const row *r) {
  char id[128];
  const json_t *from = json_object_get(t, "chart_of");
  const char *name = ogv_json_string_or(col, "chart", ogv_json_string_or(t, "chart", ""));
  if (json_object_get(t, "chart_by"))
    name = ogv_json_string_or(json_object_get(t, "charts"), get(head, r, ogv_json_string_or(t, "chart_by", "")), "");
  if (from) {
    const char *moderator = get(head, r, json_string_value(json_array_get(from, 2)));
    snprintf(id, sizeof id, "%s-%s-%s", json_string_value(json_array_get(from, 0)),
             get(head, r, json_string_value(json_array_get(from, 1))), strcmp(moderator, "FW") ? moderator : "efw");
    for (char *p = id; *p; p++) *p = *p == '_' ? '-' : *p >= 'A' && *p <= 'Z' ? (char)(*p + 32) : *p;
    name = id;
  }
  const ogv_chart *c = NULL;
  ogv_error e;
  if (ogv_chart_find(name, &c, &e) != OGV_OK) fail_msg("%s", e.what);
  return c;
}

static double x_of(const json_t *t, const row *head, const row *r) {
  const json_t *by = json_object_get(t, "x_times_by");
  if (json_object_get(t, "x_fixed")) return ogv_json_number_or(t, "x_fixed", NAN);
  double times = ogv_json_number_or(t, "x_times", 1);
  if (by) times = ogv_json_number_or(by, get(head, r, ogv_json_string_or(by, "column", "")), NAN);
  return times * strtod(get(head, r, ogv_json_string_or(t, "x", "")), NULL);
}

static double at_z(const ogv_chart *c, double x, double z) {
  double v = NAN;
  ogv_error e;
  if (ogv_chart_at_z(c, x, z, &v, &e) != OGV_OK) fail_msg("%s", e.what);
  return v;
}

/* p2_5 is a centile, zm3 and zp1 are deviates; a "z" object of the table overrides the deviate of a centile column. */
static double deviate(const json_t *t, const char *column) {
  const json_t *z = json_object_get(json_object_get(t, "z"), column);
  if (z) return json_number_value(z);
  if (column[0] == 'z') return (column[1] == 'm' ? -1 : 1) * strtod(column + 1 + (column[1] > '9'), NULL);
  char text[16];
  snprintf(text, sizeof text, "%s", column + 1);
  for (char *p = text; *p; p++)
    if (*p == '_') *p = '.';
  return ogv_normal_quantile(strtod(text, NULL) / 100);
}

static double expected(const json_t *t, const json_t *col, const char *column, const row *head, const row *r) {
  const ogv_chart *c = chart_of(t, col, head, r);
  const char *what = ogv_json_string_or(col, "what", "");
  mark(c);
  double x = x_of(t, head, r), per = ogv_json_number_or(col, "times", 1);
  if (json_object_get(t, "chart_of") && !strcmp(ogv_chart_about(c)->unit, "mm2")) per = 100;
  ogv_chart_value v;
  ogv_error e;
  double middle = NAN;
  if (ogv_chart_at_z(c, x, 0, &middle, &e) != OGV_OK || ogv_chart_eval(c, x, middle, &v, &e) != OGV_OK)
    fail_msg("%s", e.what);
  if (!strcmp(what, "median")) return v.median / per;
  if (!strcmp(what, "sd")) return v.sd / per;
  if (!strcmp(what, "mom")) return v.median * ogv_json_number_or(col, "mom", NAN);
  if (!strcmp(what, "sd_log10")) return log10(at_z(c, x, 1)) - log10(v.median);
  if (!strcmp(what, "z")) return at_z(c, x, ogv_json_number_or(col, "z", NAN)) / per;
  if (!strcmp(what, "centile_of_row"))
    return at_z(c, x, ogv_normal_quantile(strtod(get(head, r, ogv_json_string_or(col, "row", "")), NULL) / 100));
  return at_z(c, x, deviate(t, column));
}

static double half_digit(const char *printed) {
  const char *dot = strchr(printed, '.');
  return 0.5 * pow(10, dot ? -(double)strlen(dot + 1) : 0) + 1e-9;
}

static void check_cell(const char *file, const json_t *t, const char *column, const row *head, const row *r,
                       const char *printed) {
  const json_t *col = json_object_get(json_object_get(t, "columns"), column);
  const char *first = r->field[0], *word = ogv_json_string_or(t, "kind", "published");
  if (listed(json_object_get(t, "published_rows"), first)) word = "published";
  int kind = 0;
  while (strcmp(word, kind_words[kind])) kind++;
  cells[kind]++;
  if (json_object_get(t, "skip") || json_object_get(col, "skip")) return;
  double p = strtod(printed, NULL), v = expected(t, col, column, head, r);
  double tolerance = ogv_json_number_or(t, "tolerance", half_digit(printed));
  if (json_object_get(t, "relative")) tolerance = ogv_json_number_or(t, "relative", 0) * p;
  tolerance = ogv_json_number_or(col, "tolerance", tolerance);
  tolerance = ogv_json_number_or(json_object_get(t, "rows"), first, tolerance);
  double off = fabs(v - p);
  if (!(off <= tolerance)) {
    failures++;
    print_error("%s row %s column %s: printed %s, chart %.6f (off by %.4g, tolerance %.4g)\n", file, first, column,
                printed, v, off, tolerance);
  }
  checked[kind]++;
  digit[kind] += off <= half_digit(printed);
}

static void check_table(const char *folder, const char *file, const json_t *t) {
  char path[1024];
  snprintf(path, sizeof path, "%s/%s", folder, file);
  FILE *f = fopen(path, "r");
  if (!f) fail_msg("%s cannot be opened", path);
  row head, r;
  assert_true(read_row(f, &head));
  const char *x = ogv_json_string_or(t, "x", ""), *by = ogv_json_string_or(t, "chart_by", "");
  unsigned before = cells[0] + cells[1] + cells[2];
  while (read_row(f, &r)) {
    assert_int_equal(r.n, head.n);
    for (int i = 0; i < r.n; i++) {
      const char *column = head.field[i];
      if (!strcmp(column, x) || !strcmp(column, by) || listed(json_object_get(t, "not_cells"), column)) continue;
      check_cell(file, t, column, &head, &r, r.field[i]);
    }
  }
  assert_true(cells[0] + cells[1] + cells[2] > before);
  fclose(f);
}

static void every_published_cell(void **state) {
  (void)state;
  char folder[900], path[1024];
  snprintf(folder, sizeof folder, "%s/tests/published/tables", getenv("SOURCE_ROOT"));
  snprintf(path, sizeof path, "%s/index.json", folder);
  json_t *index = NULL;
  ogv_error e;
  if (ogv_json_load(path, &index, &e) != OGV_OK) fail_msg("%s", e.what);
  const char *file;
  json_t *t;
  json_object_foreach(index, file, t) {
    check_table(folder, file, t);
    if (json_object_get(t, "skip")) print_message("not checked: %s: %s\n", file, ogv_json_string_or(t, "skip", ""));
  }
  json_decref(index);
  for (int k = 0; k < KINDS; k++)
    print_message("charts: %u cells checked / %u cells %s; %u of them equal to the printed digit\n", checked[k],
                  cells[k], kind_words[k], digit[k]);
  assert_int_equal(failures, 0);
  assert_true(checked[PUBLISHED] > 7000); /* so that an empty index cannot pass */
}

/* tests/published/tables/checks.csv: values where no table could be had. After this every chart was compared once. */
static void single_values(void **state) {
  (void)state;
  char path[1024];
  unsigned n = 0;
  snprintf(path, sizeof path, "%s/tests/published/tables/checks.csv", getenv("SOURCE_ROOT"));
  FILE *f = fopen(path, "r");
  row head, r;
  assert_non_null(f);
  assert_true(read_row(f, &head));
  while (read_row(f, &r)) {
    const char *id = get(&head, &r, "chart"), *at = get(&head, &r, "at");
    const ogv_chart *c = NULL;
    ogv_error e;
    if (ogv_chart_find(id, &c, &e) != OGV_OK) fail_msg("%s", e.what);
    double z = strtod(at + 1, NULL), value = strtod(get(&head, &r, "value"), NULL);
    if (*at == 'p') z = ogv_normal_quantile(z / 100);
    double got = at_z(c, strtod(get(&head, &r, "x"), NULL), z);
    if (!(fabs(got - value) <= strtod(get(&head, &r, "tolerance"), NULL)))
      fail_msg("%s at %s, %s: %g, the source says %g", id, get(&head, &r, "x"), at, got, value);
    mark(c);
    n++;
  }
  fclose(f);
  size_t charts = 0, found = 0;
  for (; ogv_chart_at(charts); charts++) {
    found += compared[charts];
    if (!compared[charts]) print_error("%s was compared with nothing\n", ogv_chart_about(ogv_chart_at(charts))->id);
  }
  print_message("%u single values; %zu charts of %zu compared with a source\n", n, found, charts);
  assert_int_equal(found, charts);
}

static void all_chart_files_load(void **state) {
  (void)state;
  ogv_error e;
  if (ogv_chart_check(&e) != OGV_OK) fail_msg("%s", e.what);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(all_chart_files_load), cmocka_unit_test(every_published_cell),
                                     cmocka_unit_test(single_values)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}

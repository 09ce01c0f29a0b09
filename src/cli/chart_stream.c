/* `ogive chart eval|inverse` over tables of any length: row by row, with the memory of one row. */
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "cli_chart.h"
#include "cli_csv.h"
#include "core_json.h"

#define LONGEST_LINE (1u << 20)

typedef struct stream {
  const chart_options *o;
  bool inverse;
  unsigned long refused;
  /* the chart of the row before, kept because it is nearly always the same */
  char id[80];
  const ogv_chart *chart;
  const ogv_quantity *quantity;
} stream;

static ogv_status stream_chart(stream *s, const char *id, ogv_error *err) {
  if (s->chart && !strcmp(id, s->id)) return OGV_OK;
  s->chart = NULL;
  OGV_TRY(ogv_cli_chart_pick(id, s->o->unverified, &s->chart, err));
  s->quantity = ogv_cli_chart_quantity(s->chart, s->o);
  snprintf(s->id, sizeof s->id, "%s", id);
  if (strlen(id) >= sizeof s->id) s->id[0] = 0;
  return OGV_OK;
}

/* Says how it went. */
static int stream_end(const stream *s, ogv_status st, const ogv_error *e, bool written) {
  if (st != OGV_OK) return ogv_cli_fail("chart", e, 0);
  if (!written) {
    fprintf(stderr, "ogive chart: the output could not be written\n");
    return 6;
  }
  if (s->refused) fprintf(stderr, "ogive chart: %lu rows have no answer; the note of each says why\n", s->refused);
  return s->refused && s->o->strict ? 5 : 0;
}

typedef struct columns {
  int x, value, chart;
  char x_unit[8]; /* told by the name of the column */
  bool centile;   /* inverse: the value column holds centiles, not z */
  const char *fixed_chart;
} columns;

static bool ends(const char *s, const char *tail) {
  size_t n = strlen(s), k = strlen(tail);
  return n >= k && !strcmp(s + n - k, tail);
}

static ogv_status named(const ogv_csv *csv, const char *name, const char *option, int *column, ogv_error *err) {
  *column = ogv_csv_column(csv, name);
  if (*column >= 0) return OGV_OK;
  return ogv_fail(err, OGV_E_INVALID, NULL, "the heading has no column \"%.60s\"; name yours with %s", name, option);
}

static ogv_status find_columns(const stream *s, const ogv_csv *csv, columns *c, ogv_error *err) {
  const chart_options *o = s->o;
  const char *x = o->x_column ? o->x_column : "x", *value = o->value_column ? o->value_column : "value";
  *c = (columns){.chart = -1, .fixed_chart = o->chart ? o->chart : o->n_words > 1 ? o->words[1] : NULL};
  if (s->inverse && !o->value_column) value = ogv_csv_column(csv, "z") >= 0 ? "z" : "centile";
  c->centile = s->inverse && strcmp(value, "z") && !ends(value, "_z");
  OGV_TRY(named(csv, x, "--x", &c->x, err));
  OGV_TRY(named(csv, value, "--value", &c->value, err));
  if (ends(x, "_days")) snprintf(c->x_unit, sizeof c->x_unit, "d");
  if (ends(x, "_weeks")) snprintf(c->x_unit, sizeof c->x_unit, "wk");
  if (c->fixed_chart) return OGV_OK;
  return named(csv, o->chart_column ? o->chart_column : "chart", "--chart-column, or give one --chart for all",
               &c->chart, err);
}

static ogv_status inverse_row(const stream *s, double x, const char *text, bool centile, double *value,
                              ogv_error *err) {
  double p;
  if (!ogv_csv_number(text, &p) || isnan(p))
    return ogv_fail(err, OGV_E_INVALID, NULL, "\"%.40s\" is not a number", text);
  return centile ? ogv_chart_at_centile(s->chart, x, p, value, err) : ogv_chart_at_z(s->chart, x, p, value, err);
}

static ogv_status eval_row(const stream *s, double x, const char *text, ogv_chart_answer *a, ogv_error *err) {
  const ogv_chart_info *f = ogv_chart_about(s->chart);
  const char *taken = s->o->convention ? s->o->convention : "", *by = s->o->weights_by ? s->o->weights_by : "";
  *a = (ogv_chart_answer){.chart = s->chart, .x = x};
  OGV_TRY(ogv_cli_chart_read_value(s->chart, s->quantity, text, &a->value, err));
  bool plain = (!*f->convention || !*taken || !strcmp(f->convention, taken)) &&
               (!*f->formula || !*by || !strcmp(f->formula, by));
  if (plain) OGV_TRY(ogv_chart_eval(s->chart, x, a->value, &a->v, err));
  if (plain && fabs(a->v.z) <= f->z_limit && fabs(a->v.z) <= 6) return OGV_OK;
  /* The whole answer, with its words, only where there is something to say. */
  ogv_chart_input in = {x, NAN, a->value, NAN, taken, by};
  return ogv_chart_answer_make(s->chart, &in, a, err);
}

static void put_note(const ogv_chart_answer *a, bool taken) {
  char note[800];
  const char *parts[] = {isnan(a->v.z) ? a->statement : "", taken ? a->convention.note : "", a->warning};
  size_t n = 0;
  note[0] = 0;
  for (int i = 0; i < 3; i++)
    if (*parts[i] && n < sizeof note) n += (size_t)snprintf(note + n, sizeof note - n, "%s%s", n ? "; " : "", parts[i]);
  ogv_csv_put_text(note);
}

static void csv_row(stream *s, const columns *k, const ogv_csv *csv) {
  ogv_error e;
  double x = NAN, value = NAN;
  ogv_chart_answer a = {.v = {.z = NAN, .centile = NAN, .median = NAN, .mom = NAN}};
  const char *text = ogv_csv_field(csv, k->value);
  ogv_status st = stream_chart(s, k->fixed_chart ? k->fixed_chart : ogv_csv_field(csv, k->chart), &e);
  if (st == OGV_OK)
    st = ogv_cli_chart_read_x(s->chart, ogv_csv_field(csv, k->x), *k->x_unit ? k->x_unit : s->o->x_unit, &x, &e);
  if (st == OGV_OK) st = s->inverse ? inverse_row(s, x, text, k->centile, &value, &e) : eval_row(s, x, text, &a, &e);
  ogv_csv_put_record(csv);
  if (st != OGV_OK) {
    s->refused++;
    for (int i = 0; i < (s->inverse ? 1 : 4); i++) ogv_csv_put_text("");
    ogv_csv_put_text(e.what);
  } else if (s->inverse) {
    ogv_csv_put_value(value);
    ogv_csv_put_text("");
  } else {
    ogv_csv_put_value(a.v.z);
    ogv_csv_put_value(a.v.centile);
    ogv_csv_put_value(a.v.median);
    ogv_csv_put_value(a.v.mom);
    put_note(&a, s->o->convention != NULL);
  }
  ogv_csv_end_row();
}

int ogv_cli_chart_run_csv(const chart_options *o, bool inverse) {
  static const char *const added[2][6] = {{"z", "centile", "median", "mom", "note"}, {"result", "note"}};
  stream s = {.o = o, .inverse = inverse};
  ogv_error e;
  columns k;
  ogv_csv *csv = NULL;
  ogv_status st = ogv_csv_open(o->csv, &csv, &e);
  if (st == OGV_OK) st = find_columns(&s, csv, &k, &e);
  if (st == OGV_OK) {
    ogv_csv_put_record(csv);
    for (const char *const *name = added[inverse]; *name; name++) ogv_csv_put_text(*name);
    ogv_csv_end_row();
  }
  bool more = st == OGV_OK;
  while (more) {
    st = ogv_csv_next(csv, &more, &e);
    if (st != OGV_OK) break;
    if (more) csv_row(&s, &k, csv);
  }
  bool written = ogv_csv_flush();
  ogv_csv_close(csv);
  return stream_end(&s, st, &e, written);
}

/* A member that is text or a number, as text. */
static ogv_status member(const json_t *j, const char *key, char *buf, size_t n, ogv_error *err) {
  const json_t *v = json_object_get(j, key);
  if (json_is_string(v)) snprintf(buf, n, "%s", json_string_value(v));
  else if (json_is_number(v)) snprintf(buf, n, "%.17g", json_number_value(v));
  else return ogv_fail(err, OGV_E_INVALID, NULL, "\"%s\" is missing, or is neither text nor a number", key);
  return OGV_OK;
}

static ogv_status lines_inverse(const json_t *j, const ogv_chart *c, double x, json_t **out, ogv_error *err) {
  double z = ogv_json_number_or(j, "z", NAN), p = ogv_json_number_or(j, "centile", NAN), v;
  if (isnan(z) == isnan(p)) return ogv_fail(err, OGV_E_INVALID, NULL, "give one of \"z\" and \"centile\"");
  OGV_TRY(isnan(z) ? ogv_chart_at_centile(c, x, p, &v, err) : ogv_chart_at_z(c, x, z, &v, err));
  *out = json_pack("{s:s,s:f,s:s}", "chart", ogv_chart_about(c)->id, "value", v, "unit", ogv_chart_about(c)->unit);
  return OGV_OK;
}

static ogv_status lines_one(stream *s, const json_t *j, json_t **out, ogv_error *err) {
  const char *id;
  char text[64];
  double x, value;
  ogv_chart_answer a;
  OGV_TRY(ogv_json_string(j, "the object", "chart", &id, err));
  OGV_TRY(stream_chart(s, id, err));
  OGV_TRY(member(j, "x", text, sizeof text, err));
  OGV_TRY(ogv_cli_chart_read_x(s->chart, text, ogv_json_string_or(j, "x_unit", s->o->x_unit), &x, err));
  if (s->inverse) return lines_inverse(j, s->chart, x, out, err);
  OGV_TRY(member(j, "value", text, sizeof text, err));
  OGV_TRY(ogv_cli_chart_read_value(s->chart, s->quantity, text, &value, err));
  ogv_chart_input in = {x,
                        ogv_json_number_or(j, "x_sd", NAN),
                        value,
                        ogv_json_number_or(j, "value_sd", NAN),
                        ogv_json_string_or(j, "taken", s->o->convention ? s->o->convention : ""),
                        ogv_json_string_or(j, "weights_by", s->o->weights_by ? s->o->weights_by : "")};
  OGV_TRY(ogv_chart_answer_make(s->chart, &in, &a, err));
  *out = ogv_chart_answer_json(&a);
  return OGV_OK;
}

/* Answers one line; what is wrong with it becomes its answer. */
static void lines_answer(stream *s, const char *line, unsigned long number) {
  ogv_error e;
  json_t *j = NULL, *out = NULL;
  char where[40];
  snprintf(where, sizeof where, "row %lu", number);
  ogv_status st = ogv_json_parse(line, strlen(line), where, &j, &e);
  if (st == OGV_OK) st = lines_one(s, j, &out, &e);
  if (st != OGV_OK) {
    s->refused++;
    out = json_pack("{s:o}", "error", ogv_error_json(&e));
  }
  if (out && json_object_get(j, "id")) json_object_set(out, "id", json_object_get(j, "id"));
  char *text = json_dumps(out, JSON_COMPACT | JSON_REAL_PRECISION(15));
  puts(text ? text : "{\"error\":{\"what\":\"out of memory\"}}");
  free(text);
  json_decref(out);
  json_decref(j);
}

int ogv_cli_chart_run_lines(const chart_options *o, bool inverse) {
  stream s = {.o = o, .inverse = inverse};
  ogv_error e;
  ogv_status st = OGV_OK;
  char *line = NULL;
  size_t capacity = 0;
  unsigned long number = 0;
  FILE *in = strcmp(o->lines, "-") ? fopen(o->lines, "r") : stdin;
  if (!in) {
    ogv_fail(&e, errno == ENOENT ? OGV_E_NOT_FOUND : OGV_E_IO, NULL, "%.300s cannot be read: %s", o->lines,
             strerror(errno));
    return ogv_cli_fail("chart", &e, 0);
  }
  for (ssize_t n; st == OGV_OK && (n = getline(&line, &capacity, in)) >= 0;) {
    number++;
    if ((size_t)n > LONGEST_LINE || memchr(line, 0, (size_t)n))
      st = ogv_fail(&e, OGV_E_INVALID, NULL, "row %lu is longer than a megabyte or holds a zero byte", number);
    else if (strspn(line, " \t\r\n") < (size_t)n) lines_answer(&s, line, number);
  }
  if (st == OGV_OK && ferror(in)) st = ogv_fail(&e, OGV_E_IO, NULL, "reading stopped after row %lu", number);
  bool written = fflush(stdout) == 0 && !ferror(stdout);
  free(line);
  if (in != stdin) fclose(in);
  return stream_end(&s, st, &e, written);
}

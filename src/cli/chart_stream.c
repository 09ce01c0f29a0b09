/* `ogive chart eval|inverse` over tables of any length: row by row, with the memory of one row. */
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "chart_cli.h"
#include "core_json.h"

#define FIELDS 256
#define LONGEST_LINE (1u << 20)

typedef struct stream {
  const chart_options *o;
  bool inverse;
  FILE *in;
  char *line;
  size_t capacity;
  unsigned long row, refused;
  /* the chart of the row before, kept because it is nearly always the same */
  char id[80];
  const ogv_chart *chart;
  const ogv_quantity *quantity;
} stream;

static ogv_status stream_open(stream *s, const char *name, ogv_error *err) {
  s->in = strcmp(name, "-") ? fopen(name, "r") : stdin;
  if (s->in) return OGV_OK;
  return ogv_fail(err, errno == ENOENT ? OGV_E_NOT_FOUND : OGV_E_IO, NULL, "%.300s cannot be read: %s", name, strerror(errno));
}

static void stream_close(stream *s) {
  if (s->in && s->in != stdin) fclose(s->in);
  free(s->line);
}

/* 1 a line (its end cut off), 0 the end, -1 with err filled. */
static int stream_line(stream *s, ogv_error *err) {
  ssize_t n = getline(&s->line, &s->capacity, s->in);
  if (n < 0) {
    if (!ferror(s->in)) return 0;
    ogv_fail(err, OGV_E_IO, NULL, "reading stopped after row %lu: %s", s->row, strerror(errno));
    return -1;
  }
  s->row++;
  if ((size_t)n > LONGEST_LINE || memchr(s->line, 0, (size_t)n)) {
    ogv_fail(err, OGV_E_INVALID, NULL, "row %lu is longer than a megabyte, or holds a zero byte: this is not a text table", s->row);
    return -1;
  }
  while (n > 0 && (s->line[n - 1] == '\n' || s->line[n - 1] == '\r')) s->line[--n] = 0;
  return 1;
}

static ogv_status stream_chart(stream *s, const char *id, ogv_error *err) {
  if (s->chart && !strcmp(id, s->id)) return OGV_OK;
  s->chart = NULL;
  OGV_TRY(chart_pick(id, s->o->unverified, &s->chart, err));
  s->quantity = chart_quantity(s->chart, s->o);
  snprintf(s->id, sizeof s->id, "%s", id);
  if (strlen(id) >= sizeof s->id) s->id[0] = 0;
  return OGV_OK;
}

/* Flushes and says how it went. */
static int stream_end(const stream *s, int ok, const ogv_error *e) {
  bool written = fflush(stdout) == 0 && !ferror(stdout);
  if (ok < 0) return ogv_cli_fail("chart", e, 0);
  if (!written) {
    fprintf(stderr, "ogive chart: the output could not be written\n");
    return 6;
  }
  if (s->refused) fprintf(stderr, "ogive chart: %lu rows have no answer; the note of each says why\n", s->refused);
  return s->refused && s->o->strict ? 5 : 0;
}

/* Splits a CSV line (RFC 4180 without line ends inside fields) in a copy; quotes are taken off. */
static int split(char *copy, char *field[FIELDS]) {
  int n = 0;
  char *p = copy;
  while (n < FIELDS) {
    char *to = p;
    field[n++] = p;
    bool quoted = *p == '"';
    if (quoted) p++;
    while (*p && (quoted || *p != ',')) {
      if (quoted && *p == '"') {
        if (p[1] != '"') {
          quoted = false;
          p++;
          continue;
        }
        p++;
      }
      *to++ = *p++;
    }
    bool more = *p == ',';
    *to = 0;
    if (!more) break;
    p++;
  }
  return n;
}

typedef struct columns {
  int x, value, chart;
  char x_unit[8]; /* told by the name of the column */
  bool centile;   /* inverse: the value column holds centiles, not z */
  const char *fixed_chart;
} columns;

static int column(char *const *field, int n, const char *name) {
  for (int i = 0; i < n; i++)
    if (!strcmp(field[i], name)) return i;
  return -1;
}

static bool ends(const char *s, const char *tail) {
  size_t n = strlen(s), k = strlen(tail);
  return n >= k && !strcmp(s + n - k, tail);
}

static ogv_status missing(const char *name, const char *option, ogv_error *err) {
  return ogv_fail(err, OGV_E_INVALID, NULL, "the heading has no column \"%.60s\"; name yours with %s", name, option);
}

static ogv_status find_columns(const stream *s, char *const *field, int n, columns *c, ogv_error *err) {
  const chart_options *o = s->o;
  const char *x = o->x_column ? o->x_column : "x", *value = o->value_column ? o->value_column : "value";
  *c = (columns){.chart = -1, .fixed_chart = o->chart ? o->chart : o->n_words > 1 ? o->words[1] : NULL};
  if (s->inverse && !o->value_column) value = column(field, n, "z") >= 0 ? "z" : "centile";
  c->centile = s->inverse && strcmp(value, "z") && !ends(value, "_z");
  c->x = column(field, n, x);
  c->value = column(field, n, value);
  if (c->x < 0) return missing(x, "--x", err);
  if (c->value < 0) return missing(value, "--value", err);
  if (ends(x, "_days")) snprintf(c->x_unit, sizeof c->x_unit, "d");
  if (ends(x, "_weeks")) snprintf(c->x_unit, sizeof c->x_unit, "wk");
  if (c->fixed_chart) return OGV_OK;
  const char *name = o->chart_column ? o->chart_column : "chart";
  c->chart = column(field, n, name);
  return c->chart < 0 ? missing(name, "--chart-column, or give one --chart for all", err) : OGV_OK;
}

/* The note goes into a quoted field. */
static void put_note(const char *text) {
  if (!*text) return;
  putchar_unlocked('"');
  for (; *text; text++) {
    if (*text == '"') putchar_unlocked('"');
    putchar_unlocked(*text);
  }
  putchar_unlocked('"');
}

/* Twelve significant digits. printf is the slowest part of a long table, so numbers of the usual size are written here. */
static void put_number(double v) {
  char text[40];
  if (isnan(v)) return;
  double a = fabs(v);
  int n = 0;
  if (a >= 1e-3 && a < 1e6) {
    static const double tens[] = {1e14, 1e13, 1e12, 1e11, 1e10, 1e9, 1e8, 1e7, 1e6};
    int whole = a < 1e-2 ? -2 : a < 1e-1 ? -1 : a < 1 ? 0 : a < 10 ? 1 : a < 100 ? 2 : a < 1e3 ? 3 : a < 1e4 ? 4 : a < 1e5 ? 5 : 6;
    int decimals = 12 - whole;
    unsigned long long m = (unsigned long long)(a * tens[whole + 2] + 0.5);
    while (decimals > 0 && m % 10 == 0) m /= 10, decimals--;
    char *p = text + sizeof text;
    for (int k = 0; m || k <= decimals; k++) {
      if (k == decimals && decimals) *--p = '.';
      *--p = (char)('0' + m % 10);
      m /= 10;
    }
    if (v < 0) *--p = '-';
    fwrite_unlocked(p, 1, (size_t)(text + sizeof text - p), stdout);
    return;
  }
  n = snprintf(text, sizeof text, "%.12g", v);
  fwrite_unlocked(text, 1, (size_t)n, stdout);
}

static ogv_status inverse_row(stream *s, double x, const char *text, bool centile, ogv_error *err) {
  char *end;
  double p = strtod(text, &end), v;
  if (end == text || *end) return ogv_fail(err, OGV_E_INVALID, NULL, "\"%.40s\" is not a number", text);
  OGV_TRY(centile ? ogv_chart_at_centile(s->chart, x, p, &v, err) : ogv_chart_at_z(s->chart, x, p, &v, err));
  fputs_unlocked(s->line, stdout);
  putchar_unlocked(',');
  put_number(v);
  fputs_unlocked(",\n", stdout);
  return OGV_OK;
}

static ogv_status eval_row(stream *s, double x, const char *text, ogv_error *err) {
  chart_answer a = {.chart = s->chart, .x = x};
  const ogv_chart_info *f = ogv_chart_about(s->chart);
  OGV_TRY(chart_read_value(s->chart, s->quantity, text, &a.value, err));
  bool plain = !*f->convention || !s->o->convention || !strcmp(f->convention, s->o->convention);
  if (plain) OGV_TRY(ogv_chart_eval(s->chart, x, a.value, &a.v, err));
  /* The whole answer, with its words, only where there is something to say. */
  bool special = !plain || isnan(a.v.z) || fabs(a.v.z) > f->z_limit || fabs(a.v.z) > 6;
  if (special)
    OGV_TRY(chart_answer_make(s->chart, x, a.value, s->o->convention ? s->o->convention : "", NAN, NAN, &a, err));
  fputs_unlocked(s->line, stdout);
  const double out[] = {a.v.z, a.v.centile, a.v.median, a.v.mom};
  for (int i = 0; i < 4; i++) {
    putchar_unlocked(',');
    put_number(out[i]);
  }
  putchar_unlocked(',');
  if (special) {
    char note[800];
    snprintf(note, sizeof note, "%s%s%s%s%s", isnan(a.v.z) ? a.statement : "",
             isnan(a.v.z) && *a.convention.note ? "; " : "", s->o->convention ? a.convention.note : "",
             *a.warning ? "; " : "", a.warning);
    put_note(note);
  }
  putchar_unlocked('\n');
  return OGV_OK;
}

static void csv_row(stream *s, const columns *k, char *copy, char **field) {
  ogv_error e;
  double x = NAN;
  int n = split(copy, field);
  ogv_status st = OGV_OK;
  if (n <= k->x || n <= k->value || n <= k->chart)
    st = ogv_fail(&e, OGV_E_INVALID, NULL, "the row has only %d fields", n);
  if (st == OGV_OK) st = stream_chart(s, k->fixed_chart ? k->fixed_chart : field[k->chart], &e);
  if (st == OGV_OK)
    st = chart_read_x(s->chart, field[k->x], *k->x_unit ? k->x_unit : s->o->x_unit, &x, &e);
  if (st == OGV_OK)
    st = s->inverse ? inverse_row(s, x, field[k->value], k->centile, &e) : eval_row(s, x, field[k->value], &e);
  if (st == OGV_OK) return;
  s->refused++;
  fputs_unlocked(s->line, stdout);
  fputs_unlocked(s->inverse ? ",," : ",,,,,", stdout);
  put_note(e.what);
  putchar_unlocked('\n');
}

int chart_run_csv(const chart_options *o, bool inverse) {
  stream s = {.o = o, .inverse = inverse};
  ogv_error e;
  columns k;
  char *field[FIELDS];
  if (stream_open(&s, o->csv, &e) != OGV_OK) return ogv_cli_fail("chart", &e, 0);
  char *copy = malloc(LONGEST_LINE + 1);
  int got = copy ? stream_line(&s, &e) : (ogv_fail(&e, OGV_E_MEMORY, NULL, "out of memory"), -1);
  if (got == 0) got = (ogv_fail(&e, OGV_E_INVALID, NULL, "%.300s is empty: a heading is needed", o->csv), -1);
  if (got > 0) {
    memcpy(copy, s.line, strlen(s.line) + 1);
    if (find_columns(&s, field, split(copy, field), &k, &e) != OGV_OK) got = -1;
  }
  if (got > 0) {
    fputs(s.line, stdout);
    puts(inverse ? ",result,note" : ",z,centile,median,mom,note");
    while ((got = stream_line(&s, &e)) > 0) {
      if (!*s.line) continue;
      memcpy(copy, s.line, strlen(s.line) + 1);
      csv_row(&s, &k, copy, field);
    }
  }
  free(copy);
  int rc = stream_end(&s, got, &e);
  stream_close(&s);
  return rc;
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
  chart_answer a;
  OGV_TRY(ogv_json_string(j, "the object", "chart", &id, err));
  OGV_TRY(stream_chart(s, id, err));
  OGV_TRY(member(j, "x", text, sizeof text, err));
  OGV_TRY(chart_read_x(s->chart, text, ogv_json_string_or(j, "x_unit", s->o->x_unit), &x, err));
  if (s->inverse) return lines_inverse(j, s->chart, x, out, err);
  OGV_TRY(member(j, "value", text, sizeof text, err));
  OGV_TRY(chart_read_value(s->chart, s->quantity, text, &value, err));
  OGV_TRY(chart_answer_make(s->chart, x, value, ogv_json_string_or(j, "taken", s->o->convention ? s->o->convention : ""),
                            ogv_json_number_or(j, "x_sd", NAN), ogv_json_number_or(j, "value_sd", NAN), &a, err));
  *out = chart_answer_json(&a);
  return OGV_OK;
}

int chart_run_lines(const chart_options *o, bool inverse) {
  stream s = {.o = o, .inverse = inverse};
  ogv_error e;
  int got;
  if (stream_open(&s, o->lines, &e) != OGV_OK) return ogv_cli_fail("chart", &e, 0);
  while ((got = stream_line(&s, &e)) > 0) {
    if (!*s.line) continue;
    json_t *j = NULL, *out = NULL;
    char where[40];
    snprintf(where, sizeof where, "row %lu", s.row);
    ogv_status st = ogv_json_parse(s.line, strlen(s.line), where, &j, &e);
    if (st == OGV_OK) st = lines_one(&s, j, &out, &e);
    if (st != OGV_OK) {
      s.refused++;
      out = json_pack("{s:{s:s,s:s,s:s}}", "error", "code", ogv_status_word(e.code), "what", e.what, "todo", e.todo);
    }
    if (out && json_object_get(j, "id")) json_object_set(out, "id", json_object_get(j, "id"));
    char *text = json_dumps(out, JSON_COMPACT | JSON_REAL_PRECISION(15));
    if (text) puts(text);
    free(text);
    json_decref(out);
    json_decref(j);
  }
  int rc = stream_end(&s, got, &e);
  stream_close(&s);
  return rc;
}

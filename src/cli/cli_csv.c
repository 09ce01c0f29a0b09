#include "cli_csv.h"

#include <errno.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RECORD_MAX (1u << 20)
#define BLOCK (1u << 20)

struct ogv_csv {
  FILE *file;
  char name[256];
  char *block; /* bytes read ahead */
  size_t at, end;
  char *record; /* the record as read, without its line end */
  size_t record_length, record_capacity;
  char *text; /* its fields, unquoted, NUL between them */
  size_t text_capacity;
  char **fields;
  size_t n_fields, fields_capacity;
  char **header;
  size_t n_header;
  char *header_record;
  size_t header_length;
  size_t line, next_line;
  bool started;
};

static bool refill(ogv_csv *c) {
  c->at = 0;
  c->end = fread(c->block, 1, BLOCK, c->file);
  return c->end > 0;
}

static ogv_status grow(char **p, size_t *capacity, size_t need, ogv_error *err) {
  if (need <= *capacity) return OGV_OK;
  size_t cap = *capacity ? *capacity : 4096;
  while (cap < need) cap *= 2;
  char *q = realloc(*p, cap);
  if (!q) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  *p = q;
  *capacity = cap;
  return OGV_OK;
}

/* Reads one record; line ends inside quotes belong to it. */
static ogv_status read_record(ogv_csv *c, bool *more, ogv_error *err) {
  c->record_length = 0;
  c->line = c->next_line;
  bool quoted = false, any = false;
  for (;;) {
    if (c->at == c->end && !refill(c)) break;
    any = true;
    const char *from = c->block + c->at;
    size_t left = c->end - c->at;
    const char *nl = memchr(from, '\n', left);
    size_t take = nl ? (size_t)(nl - from) : left;
    if (c->record_length + take + 2 > RECORD_MAX)
      return ogv_fail(err, OGV_E_INVALID, "Is this a CSV file?", "%s, line %zu: the record is longer than 1 MiB",
                      c->name, c->line);
    OGV_TRY(grow(&c->record, &c->record_capacity, c->record_length + take + 2, err));
    memcpy(c->record + c->record_length, from, take);
    for (const char *q = from; (q = memchr(q, '"', (size_t)(from + take - q))); q++) quoted = !quoted;
    c->record_length += take;
    c->at += take + (nl ? 1 : 0);
    if (!nl) continue;
    c->next_line++;
    if (!quoted) break;
    c->record[c->record_length++] = '\n';
  }
  if (ferror(c->file)) return ogv_fail(err, OGV_E_IO, NULL, "%s: %s", c->name, strerror(errno));
  if (quoted)
    return ogv_fail(err, OGV_E_INVALID, "Close the quotation mark.", "%s, line %zu: a quoted field is not closed",
                    c->name, c->line);
  if (c->record_length && c->record[c->record_length - 1] == '\r') c->record_length--;
  if (any) c->record[c->record_length] = 0;
  *more = any;
  return OGV_OK;
}

static ogv_status add_field(ogv_csv *c, char *at, ogv_error *err) {
  if (c->n_fields == c->fields_capacity) {
    size_t cap = c->fields_capacity ? c->fields_capacity * 2 : 32;
    char **p = realloc(c->fields, cap * sizeof *p);
    if (!p) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
    c->fields = p;
    c->fields_capacity = cap;
  }
  c->fields[c->n_fields++] = at;
  return OGV_OK;
}

static ogv_status split(ogv_csv *c, ogv_error *err) {
  OGV_TRY(grow(&c->text, &c->text_capacity, c->record_length + 2, err));
  c->n_fields = 0;
  const char *p = c->record, *end = c->record + c->record_length;
  char *w = c->text;
  for (;;) {
    OGV_TRY(add_field(c, w, err));
    if (p < end && *p == '"') {
      for (p++; p < end && (*p != '"' || (p + 1 < end && p[1] == '"')); p++) {
        if (*p == '"') p++;
        *w++ = *p;
      }
      if (p < end) p++;
      while (p < end && *p != ',') *w++ = *p++;
    } else {
      const char *comma = memchr(p, ',', (size_t)(end - p));
      size_t n = (size_t)((comma ? comma : end) - p);
      memcpy(w, p, n);
      w += n;
      p += n;
    }
    *w++ = 0;
    if (p >= end) return OGV_OK;
    p++;
  }
}

static void trim(char **field) {
  while (**field == ' ' || **field == '\t') ++*field;
  for (size_t n = strlen(*field); n && ((*field)[n - 1] == ' ' || (*field)[n - 1] == '\t'); n--) (*field)[n - 1] = 0;
}

static ogv_status read_header(ogv_csv *c, ogv_error *err) {
  bool more = false;
  OGV_TRY(read_record(c, &more, err));
  if (!more || !c->record_length)
    return ogv_fail(err, OGV_E_INVALID, "The first row names the columns.", "%s: there is no header row", c->name);
  if (!strncmp(c->record, "\xef\xbb\xbf", 3)) { /* a byte-order mark is no part of the first name */
    memmove(c->record, c->record + 3, c->record_length - 2);
    c->record_length -= 3;
  }
  OGV_TRY(split(c, err));
  c->header = calloc(c->n_fields + 1, sizeof *c->header);
  c->header_record = strdup(c->record);
  if (!c->header || !c->header_record) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  c->header_length = c->record_length;
  for (size_t i = 0; i < c->n_fields; i++) {
    trim(&c->fields[i]);
    if (!(c->header[i] = strdup(c->fields[i]))) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
    c->n_header++;
  }
  return OGV_OK;
}

ogv_status ogv_csv_open(const char *path, ogv_csv **out, ogv_error *err) {
  *out = NULL;
  ogv_csv *c = calloc(1, sizeof *c);
  if (!c || !(c->block = malloc(BLOCK))) {
    free(c);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  }
  bool standard = !strcmp(path, "-");
  snprintf(c->name, sizeof c->name, "%s", standard ? "standard input" : path);
  c->next_line = 1;
  c->file = standard ? stdin : fopen(path, "rb");
  ogv_status s =
      c->file ? read_header(c, err)
              : ogv_fail(err, errno == ENOENT ? OGV_E_NOT_FOUND : OGV_E_IO, NULL, "%s: %s", c->name, strerror(errno));
  if (s != OGV_OK) {
    ogv_csv_close(c);
    return s;
  }
  *out = c;
  return OGV_OK;
}

void ogv_csv_close(ogv_csv *c) {
  if (!c) return;
  if (c->file && c->file != stdin) fclose(c->file);
  for (size_t i = 0; i < c->n_header; i++) free(c->header[i]);
  free(c->header);
  free(c->header_record);
  free(c->fields);
  free(c->text);
  free(c->record);
  free(c->block);
  free(c);
}

int ogv_csv_column(const ogv_csv *c, const char *name) {
  for (size_t i = 0; i < c->n_header; i++)
    if (!strcmp(c->header[i], name)) return (int)i;
  return -1;
}

ogv_status ogv_csv_next(ogv_csv *c, bool *more, ogv_error *err) {
  c->started = true;
  do OGV_TRY(read_record(c, more, err));
  while (*more && c->record_length == 0); /* blank lines are passed over */
  if (!*more) return OGV_OK;
  OGV_TRY(split(c, err));
  if (c->n_fields > c->n_header)
    return ogv_fail(err, OGV_E_INVALID, "Use a point in numbers, and quote fields that hold a comma.",
                    "%s, line %zu: %zu fields, but the header names %zu", c->name, c->line, c->n_fields, c->n_header);
  return OGV_OK;
}

const char *ogv_csv_field(const ogv_csv *c, int column) {
  return column >= 0 && (size_t)column < c->n_fields ? c->fields[column] : "";
}

size_t ogv_csv_line(const ogv_csv *c) { return c->line; }

/* Up to 15 digits and a short power of ten are exact in a double, so this equals strtod; the rest goes to strtod. */
bool ogv_csv_number(const char *s, double *out) {
  static const double tens[] = {1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15};
  while (*s == ' ' || *s == '\t') s++;
  if (!*s) {
    *out = NAN;
    return true;
  }
  const char *p = s;
  bool negative = *p == '-';
  if (*p == '-' || *p == '+') p++;
  uint64_t v = 0;
  int digits = 0, after = 0;
  for (; *p >= '0' && *p <= '9' && digits < 15; p++, digits++) v = v * 10 + (uint64_t)(*p - '0');
  if (*p == '.')
    for (p++; *p >= '0' && *p <= '9' && digits < 15; p++, digits++, after++) v = v * 10 + (uint64_t)(*p - '0');
  const char *q = p;
  while (*q == ' ' || *q == '\t') q++;
  if (digits && !*q) {
    double d = (double)v / tens[after];
    *out = negative ? -d : d;
    return true;
  }
  char *end;
  *out = strtod(s, &end);
  while (*end == ' ' || *end == '\t') end++;
  return end != s && !*end && isfinite(*out);
}

static struct {
  char data[1u << 16];
  size_t n;
  bool failed;
} sink;

static void put(const char *p, size_t n) {
  if (n > sizeof sink.data - sink.n) {
    ogv_csv_flush();
    if (n > sizeof sink.data) {
      sink.failed |= fwrite(p, 1, n, stdout) != n;
      return;
    }
  }
  memcpy(sink.data + sink.n, p, n);
  sink.n += n;
}

bool ogv_csv_flush(void) {
  if (sink.n) sink.failed |= fwrite(sink.data, 1, sink.n, stdout) != sink.n;
  sink.n = 0;
  sink.failed |= fflush(stdout) != 0;
  return !sink.failed;
}

void ogv_csv_put_record(const ogv_csv *c) {
  if (!c->started) {
    put(c->header_record, c->header_length);
    return;
  }
  put(c->record, c->record_length);
  for (size_t i = c->n_fields; i < c->n_header; i++)
    put(",", 1); /* a short record is filled, so that columns stay in line */
}

void ogv_csv_put_text(const char *text) {
  put(",", 1);
  if (!text || !*text) return;
  if (!strpbrk(text, ",\"\r\n")) {
    put(text, strlen(text));
    return;
  }
  put("\"", 1);
  for (const char *p = text; *p; p++) {
    if (*p == '"') put("\"", 1);
    put(p, 1);
  }
  put("\"", 1);
}

void ogv_csv_put_number(double v, int decimals) {
  static const double tens[] = {1, 10, 100, 1e3, 1e4, 1e5, 1e6};
  char buf[64], *p = buf + sizeof buf;
  put(",", 1);
  if (!isfinite(v)) return;
  if (decimals < 0 || decimals > 6 || fabs(v) >= 1e12) {
    int n = snprintf(buf, sizeof buf, "%.10g", v);
    put(buf, (size_t)n);
    return;
  }
  uint64_t u = (uint64_t)(fabs(v) * tens[decimals] + 0.5);
  bool negative = v < 0 && u > 0;
  for (int i = 0; i < decimals; i++, u /= 10) *--p = (char)('0' + u % 10);
  if (decimals) *--p = '.';
  do *--p = (char)('0' + u % 10);
  while (u /= 10);
  if (negative) *--p = '-';
  put(p, (size_t)(buf + sizeof buf - p));
}

/* printf is the slowest part of a long table, so numbers of the usual size are written here. */
void ogv_csv_put_value(double v) {
  static const double tens[] = {1e14, 1e13, 1e12, 1e11, 1e10, 1e9, 1e8, 1e7, 1e6};
  double a = fabs(v);
  char buf[64], *p = buf + sizeof buf;
  put(",", 1);
  if (!isfinite(v)) return;
  if (!(a >= 1e-3 && a < 1e6)) {
    int n = snprintf(buf, sizeof buf, "%.12g", v);
    put(buf, (size_t)n);
    return;
  }
  int whole = -2; /* digits before the point */
  for (double limit = 1e-2; whole < 6 && a >= limit; limit *= 10) whole++;
  int decimals = 12 - whole;
  uint64_t u = (uint64_t)(a * tens[whole + 2] + 0.5);
  for (; decimals > 0 && u % 10 == 0; u /= 10) decimals--;
  for (int k = 0; u || k <= decimals; k++, u /= 10) {
    if (k == decimals && decimals) *--p = '.';
    *--p = (char)('0' + u % 10);
  }
  if (v < 0) *--p = '-';
  put(p, (size_t)(buf + sizeof buf - p));
}

void ogv_csv_end_row(void) { put("\n", 1); }

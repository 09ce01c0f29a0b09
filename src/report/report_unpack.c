/* Reading a report file back. The file may be anything: every step checks its bounds. */
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <zlib.h>

#include "private/report_file.h"

#define FACTS_MAX ((size_t)64 << 20)

typedef struct reader {
  const char *p;
  size_t size;
} reader;

static const char *seek(const reader *r, size_t from, size_t window, const char *word) {
  if (from >= r->size) return NULL;
  size_t n = r->size - from < window ? r->size - from : window;
  return memmem(r->p + from, n, word, strlen(word));
}

static bool number_at(const reader *r, const char *at, size_t *out) {
  const char *end = r->p + r->size;
  size_t v = 0, digits = 0;
  while (at < end && (*at == ' ' || *at == '\n' || *at == '\r')) at++;
  for (; at < end && *at >= '0' && *at <= '9' && digits < 12; at++, digits++) v = v * 10 + (size_t)(*at - '0');
  *out = v;
  return digits > 0;
}

/* Offset of the last table of objects. */
static bool last_table(const reader *r, size_t *xref) {
  size_t from = r->size > 2048 ? r->size - 2048 : 0;
  const char *last = NULL, *p;
  while ((p = seek(r, from, r->size, "startxref"))) {
    last = p;
    from = (size_t)(p - r->p) + 9;
  }
  return last && number_at(r, last + 9, xref) && *xref < r->size && seek(r, *xref, 5, "xref") == r->p + *xref;
}

/* Offset of an object listed in the table at xref (only that table: ours lists all that it needs). */
static bool offset_of(const reader *r, size_t xref, size_t object, size_t *out) {
  size_t at = xref + 5;
  for (int section = 0; section < 2048; section++) {
    size_t first, count;
    if (at >= r->size || r->p[at] < '0' || r->p[at] > '9' || !number_at(r, r->p + at, &first)) return false;
    const char *blank = memchr(r->p + at, ' ', r->size - at < 16 ? r->size - at : 16);
    const char *line = memchr(r->p + at, '\n', r->size - at < 32 ? r->size - at : 32);
    if (!blank || !line || !number_at(r, blank, &count) || count > r->size / 20) return false;
    size_t entries = (size_t)(line + 1 - r->p);
    if (entries + 20 * count > r->size) return false;
    if (object >= first && object < first + count)
      return number_at(r, r->p + entries + 20 * (object - first), out) && *out < r->size;
    at = entries + 20 * count;
  }
  return false;
}

static bool reference_after(const reader *r, size_t from, size_t window, const char *key, size_t *object) {
  const char *p = seek(r, from, window, key);
  return p && number_at(r, p + strlen(key), object);
}

/* Length of an object's head, up to its stream or end. */
static size_t head_of(const reader *r, size_t at) {
  const char *s = seek(r, at, 1 << 16, "stream\n"), *e = seek(r, at, 1 << 16, "endobj");
  const char *end = s && (!e || s < e) ? s : e;
  return end ? (size_t)(end - r->p) - at : 0;
}

static bool stream_of(const reader *r, size_t at, const char **data, size_t *n, bool *packed) {
  size_t head = head_of(r, at);
  const char *s = head ? seek(r, at, head + 16, "stream\n") : NULL;
  if (!s || !reference_after(r, at, head, "/Length ", n)) return false;
  *data = s + 7;
  *packed = seek(r, at, head, "/FlateDecode") != NULL;
  return (size_t)(*data - r->p) + *n <= r->size;
}

static bool member(const char *xml, size_t n, const char *name, char *out, size_t size) {
  char open[64];
  snprintf(open, sizeof open, "<ogive:%s>", name);
  const char *p = memmem(xml, n, open, strlen(open));
  if (!p) return false;
  p += strlen(open);
  const char *end = memchr(p, '<', n - (size_t)(p - xml));
  if (!end || (size_t)(end - p) >= size) return false;
  memcpy(out, p, (size_t)(end - p));
  out[end - p] = 0;
  return true;
}

static ogv_status foreign(ogv_error *err) {
  return ogv_fail(err, OGV_E_NOT_FOUND, "Use the file as Ogive wrote it; other programs drop or move what is attached.",
                  "this file holds no facts as a report of Ogive keeps them");
}

static ogv_status inflate_facts(const char *data, size_t n, size_t want, char **out, size_t *out_size, ogv_error *err) {
  if (want > FACTS_MAX) return ogv_fail(err, OGV_E_CORRUPT, NULL, "the attached facts are too large");
  char *text = malloc(want + 1);
  uLongf got = (uLongf)want;
  if (!text) return ogv_fail(err, OGV_E_MEMORY, NULL, "no memory for the facts");
  if (uncompress((Bytef *)text, &got, (const Bytef *)data, (uLong)n) != Z_OK || got != want) {
    free(text);
    return ogv_fail(err, OGV_E_CORRUPT, "The file is damaged.", "the attached facts cannot be unpacked");
  }
  text[want] = 0;
  *out = text;
  *out_size = want;
  return OGV_OK;
}

ogv_status file_read(const void *pdf, size_t size, char **facts, size_t *facts_size, file_seal *seal,
                     char pages_now[OGV_SHA256_TEXT], ogv_error *err) {
  reader r = {pdf, size};
  size_t xref, root, at, spec, metadata, embedded, n, want, pages;
  const char *data;
  bool packed;
  char number[24];
  *facts = NULL;
  if (size < 32 || memcmp(pdf, "%PDF-", 5)) return ogv_fail(err, OGV_E_INVALID, NULL, "this is not a PDF file");
  if (!last_table(&r, &xref) || !reference_after(&r, xref, r.size, "/Root ", &root) || !offset_of(&r, xref, root, &at))
    return foreign(err);
  size_t head = head_of(&r, at);
  if (!head || !reference_after(&r, at, head, "(facts.json) ", &spec) ||
      !reference_after(&r, at, head, "/Metadata ", &metadata) || !offset_of(&r, xref, metadata, &at) ||
      !stream_of(&r, at, &data, &n, &packed))
    return foreign(err);
  if (!member(data, n, "factsSha256", seal->facts, sizeof seal->facts) ||
      !member(data, n, "pagesSha256", seal->pages, sizeof seal->pages) ||
      !member(data, n, "textSha256", seal->text, sizeof seal->text) ||
      !member(data, n, "pagesSize", number, sizeof number))
    return foreign(err);
  pages = (size_t)strtoull(number, NULL, 10);
  if (pages > size) return ogv_fail(err, OGV_E_CORRUPT, NULL, "the file is shorter than it says");
  ogv_sha256(pdf, pages, pages_now);
  if (!offset_of(&r, xref, spec, &at) || !(head = head_of(&r, at)) ||
      !reference_after(&r, at, head, "/EF << /F ", &embedded) || !offset_of(&r, xref, embedded, &at) ||
      !stream_of(&r, at, &data, &n, &packed) || !packed ||
      !reference_after(&r, at, head_of(&r, at), "/Params << /Size ", &want))
    return foreign(err);
  return inflate_facts(data, n, want, facts, facts_size, err);
}

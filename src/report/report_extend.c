/* Writing the incremental update: attached facts, metadata, colour space, language, alternative texts. */
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <zlib.h>

#include "core_text.h"
#include "private/report_file.h"
#include "private/report_icc.h"

#define CHANGED_MAX 600

typedef struct update {
  const char *base;
  size_t size;
  ogv_text out;
  long root, info, objects; /* object numbers; objects: Size of the base */
  size_t xref;              /* offset of the base's table */
  struct {
    long number;
    size_t offset;
  } changed[CHANGED_MAX];
  size_t n;
} update;

/* Last place of `word` in the last `window` bytes. */
static const char *find_last(const char *base, size_t size, size_t window, const char *word) {
  size_t n = strlen(word), from = size > window ? size - window : 0;
  for (size_t i = size - n + 1; i-- > from;)
    if (!memcmp(base + i, word, n)) return base + i;
  return NULL;
}

static bool trailer_number(const char *trailer, const char *key, long *out) {
  const char *p = strstr(trailer, key);
  char *end;
  if (!p) return false;
  p += strlen(key);
  *out = strtol(p, &end, 10);
  return end != p && *out > 0;
}

static ogv_status read_base(update *u, ogv_error *err) {
  ogv_error *e = err;
  const char *start = u->size > 64 ? find_last(u->base, u->size, 64, "startxref") : NULL;
  const char *trailer = u->size > 1024 ? find_last(u->base, u->size, 1024, "trailer") : NULL;
  if (!start || !trailer) return ogv_fail(e, OGV_E_INTERNAL, NULL, "the pages have no trailer");
  u->xref = (size_t)strtoul(start + 9, NULL, 10);
  char copy[1025];
  size_t n = (size_t)(u->base + u->size - trailer);
  memcpy(copy, trailer, n < 1024 ? n : 1024);
  copy[n < 1024 ? n : 1024] = 0;
  if (u->xref + 4 > u->size || memcmp(u->base + u->xref, "xref", 4) || !trailer_number(copy, "/Size", &u->objects) ||
      !trailer_number(copy, "/Root", &u->root) || !trailer_number(copy, "/Info", &u->info))
    return ogv_fail(e, OGV_E_INTERNAL, NULL, "the pages' table of objects has an unexpected form");
  return OGV_OK;
}

/* Text of an object of the base, from behind "N 0 obj" to "endobj". */
static bool base_object(const update *u, long number, const char **text, size_t *n) {
  const char *table = memchr(u->base + u->xref, '\n', u->size - u->xref); /* behind "xref" */
  if (!table) return false;
  table = memchr(table + 1, '\n', u->size - (size_t)(table + 1 - u->base)); /* behind "0 N" */
  if (!table || number < 0 || number >= u->objects) return false;
  size_t entry = (size_t)(table + 1 - u->base) + 20 * (size_t)number;
  if (entry + 20 > u->size || u->base[entry + 17] != 'n') return false;
  size_t at = (size_t)strtoul(u->base + entry, NULL, 10);
  if (at >= u->size) return false;
  const char *start = memmem(u->base + at, u->size - at < 40 ? u->size - at : 40, " obj", 4);
  if (!start) return false;
  start += 4;
  const char *end = memmem(start, u->size - (size_t)(start - u->base), "endobj", 6);
  if (!end) return false;
  *text = start;
  *n = (size_t)(end - start);
  return true;
}

static void object_begin(update *u, long number) {
  if (u->n < CHANGED_MAX) {
    u->changed[u->n].number = number;
    u->changed[u->n].offset = u->out.length;
    u->n++;
  } else u->out.failed = true;
  ogv_text_addf(&u->out, "%ld 0 obj\n", number);
}
static void object_end(update *u) { ogv_text_add(&u->out, "\nendobj\n"); }

static void stream(update *u, long number, const char *entries, const void *data, size_t n, bool deflate_it) {
  uLongf packed_n = compressBound((uLong)n);
  Bytef *packed = deflate_it ? malloc(packed_n) : NULL;
  object_begin(u, number);
  if (deflate_it && (!packed || compress2(packed, &packed_n, data, (uLong)n, 9) != Z_OK)) u->out.failed = true;
  else {
    size_t length = deflate_it ? packed_n : n;
    ogv_text_addf(&u->out, "<< %s%s /Length %zu >>\nstream\n", entries, deflate_it ? " /Filter /FlateDecode" : "",
                  length);
    ogv_text_add_bytes(&u->out, deflate_it ? (const void *)packed : data, length);
    ogv_text_add(&u->out, "\nendstream");
  }
  object_end(u);
  free(packed);
}

/* A PDF text string in UTF-16BE hexadecimal; the input is valid UTF-8. */
static void hex_text(ogv_text *t, const char *s) {
  const unsigned char *p = (const unsigned char *)s;
  ogv_text_add(t, "<FEFF");
  while (*p) {
    unsigned c = *p, more = c < 0x80 ? 0 : c < 0xe0 ? 1 : c < 0xf0 ? 2 : 3;
    unsigned v = more == 0 ? c : more == 1 ? c & 31 : more == 2 ? c & 15 : c & 7;
    for (p++; more && *p; more--, p++) v = v << 6 | (*p & 63u);
    if (v >= 0x10000) ogv_text_addf(t, "%04X%04X", 0xd800 + ((v - 0x10000) >> 10), 0xdc00 + ((v - 0x10000) & 0x3ff));
    else ogv_text_addf(t, "%04X", v);
  }
  ogv_text_add(t, ">");
}

static void xml_text(ogv_text *t, const char *s) {
  for (; *s; s++) {
    if (*s == '<') ogv_text_add(t, "&lt;");
    else if (*s == '>') ogv_text_add(t, "&gt;");
    else if (*s == '&') ogv_text_add(t, "&amp;");
    else if (*s == '"') ogv_text_add(t, "&quot;");
    else if ((unsigned char)*s >= 32 || *s == '\n' || *s == '\t') ogv_text_add_bytes(t, s, 1);
  }
}

static void add_metadata(update *u, long number, const file_extra *x, const file_seal *seal) {
  ogv_text t;
  ogv_text_init(&t, 1 << 16);
  ogv_text_add(
      &t,
      "<?xpacket begin=\"\xef\xbb\xbf\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n"
      "<x:xmpmeta xmlns:x=\"adobe:ns:meta/\">\n <rdf:RDF xmlns:rdf=\"http://www.w3.org/1999/02/22-rdf-syntax-ns#\">\n"
      "  <rdf:Description rdf:about=\"\" xmlns:dc=\"http://purl.org/dc/elements/1.1/\" "
      "xmlns:xmp=\"http://ns.adobe.com/xap/1.0/\""
      " xmlns:ogive=\"urn:ogive:report:1\">\n   <dc:format>application/pdf</dc:format>\n   <dc:title><rdf:Alt><rdf:li "
      "xml:lang=\"x-default\">");
  xml_text(&t, x->title);
  ogv_text_add(&t, "</rdf:li></rdf:Alt></dc:title>\n   <dc:language><rdf:Bag><rdf:li>");
  xml_text(&t, x->language);
  ogv_text_add(&t, "</rdf:li></rdf:Bag></dc:language>\n   <xmp:CreateDate>");
  xml_text(&t, x->created);
  ogv_text_addf(&t,
                "</xmp:CreateDate>\n   <xmp:CreatorTool>Ogive " OGV_VERSION
                "</xmp:CreatorTool>\n"
                "   <ogive:factsSha256>%s</ogive:factsSha256>\n   <ogive:pagesSha256>%s</ogive:pagesSha256>\n"
                "   <ogive:pagesSize>%zu</ogive:pagesSize>\n   <ogive:textSha256>%s</ogive:textSha256>\n"
                "  </rdf:Description>\n </rdf:RDF>\n</x:xmpmeta>\n<?xpacket end=\"r\"?>",
                seal->facts, seal->pages, u->size, seal->text);
  if (t.failed || !t.data) u->out.failed = true;
  else stream(u, number, "/Type /Metadata /Subtype /XML", t.data, t.length, false);
  ogv_text_free(&t);
}

/* The base's catalogue with our entries put before its closing brackets. */
static ogv_status add_catalogue(update *u, const file_extra *x, long spec, long metadata, long icc, ogv_error *err) {
  const char *text;
  size_t n;
  if (!base_object(u, u->root, &text, &n)) return ogv_fail(err, OGV_E_INTERNAL, NULL, "the pages have no catalogue");
  while (n && (text[n - 1] == '\n' || text[n - 1] == ' ' || text[n - 1] == '\r')) n--;
  if (n < 4 || memcmp(text + n - 2, ">>", 2) || memmem(text, n, "/Names", 6) || memmem(text, n, "/Metadata", 9))
    return ogv_fail(err, OGV_E_INTERNAL, NULL, "the catalogue of the pages has an unexpected form");
  object_begin(u, u->root);
  ogv_text_add_bytes(&u->out, text, n - 2);
  ogv_text_addf(
      &u->out,
      "   /Names << /EmbeddedFiles << /Names [(facts.json) %ld 0 R] >> >>\n   /AF [%ld 0 R]\n   /Metadata %ld 0 R\n",
      spec, spec, metadata);
  ogv_text_addf(&u->out,
                "   /OutputIntents [<< /Type /OutputIntent /S /GTS_PDFA1 /OutputConditionIdentifier (sRGB) /Info (sRGB "
                "IEC 61966-2-1) "
                "/DestOutputProfile %ld 0 R >>]\n   /Lang (%s)\n   /ViewerPreferences << /DisplayDocTitle true >>\n",
                icc, x->language);
  if (!memmem(text, n, "/MarkInfo", 9)) ogv_text_add(&u->out, "   /MarkInfo << /Marked true >>\n");
  ogv_text_add(&u->out, ">>");
  object_end(u);
  return OGV_OK;
}

/* Figures get their alternative texts: cairo cannot write them. Structure elements are numbered in document order. */
static void add_alts(update *u, const file_extra *x) {
  size_t k = 0;
  for (long i = 1; i < u->objects && k < x->n_alts; i++) {
    const char *text;
    size_t n;
    if (!base_object(u, i, &text, &n) || n > 4096 || !memmem(text, n, "/StructElem", 11) ||
        !memmem(text, n, "/S /Figure", 10))
      continue;
    while (n && (text[n - 1] == '\n' || text[n - 1] == ' ')) n--;
    if (n < 2 || memcmp(text + n - 2, ">>", 2)) continue;
    object_begin(u, i);
    ogv_text_add_bytes(&u->out, text, n - 2);
    ogv_text_add(&u->out, "   /Alt ");
    hex_text(&u->out, x->alts[k++]);
    ogv_text_add(&u->out, "\n>>");
    object_end(u);
  }
}

static int by_number(const void *a, const void *b) {
  long x = *(const long *)a, y = *(const long *)b;
  return x < y ? -1 : x > y;
}

static void add_table(update *u, long size, const char id[33]) {
  qsort(u->changed, u->n, sizeof *u->changed, by_number);
  size_t xref = u->out.length;
  ogv_text_add(&u->out, "xref\n");
  for (size_t i = 0; i < u->n;) {
    size_t j = i + 1;
    while (j < u->n && u->changed[j].number == u->changed[j - 1].number + 1) j++;
    ogv_text_addf(&u->out, "%ld %zu\n", u->changed[i].number, j - i);
    for (; i < j; i++) ogv_text_addf(&u->out, "%010zu 00000 n \n", u->changed[i].offset);
  }
  ogv_text_addf(
      &u->out,
      "trailer\n<< /Size %ld /Root %ld 0 R /Info %ld 0 R /Prev %zu /ID [<%s> <%s>] >>\nstartxref\n%zu\n%%%%EOF\n", size,
      u->root, u->info, u->xref, id, id, xref);
}

ogv_status file_extend(const void *base, size_t size, const file_extra *x, uint8_t **out, size_t *out_size,
                       ogv_error *err) {
  update *u = calloc(1, sizeof *u);
  if (!u) return ogv_fail(err, OGV_E_MEMORY, NULL, "no memory for the report");
  u->base = base;
  u->size = size;
  ogv_text_init(&u->out, (size_t)1 << 30);
  ogv_status s = read_base(u, err);
  if (s == OGV_OK) {
    file_seal seal = {{0}, {0}, {0}};
    ogv_sha256(x->facts, x->facts_size, seal.facts);
    ogv_sha256(base, size, seal.pages);
    snprintf(seal.text, sizeof seal.text, "%s", x->text_hash);
    char id[33], entries[200];
    memcpy(id, seal.pages, 16);
    memcpy(id + 16, seal.facts, 16);
    id[32] = 0;
    long first = u->objects; /* file, its description, metadata, colours */
    ogv_text_add_bytes(&u->out, base, size);
    if (u->out.data && u->out.data[u->out.length - 1] != '\n') ogv_text_add(&u->out, "\n");
    snprintf(entries, sizeof entries, "/Type /EmbeddedFile /Subtype /application#2Fjson /Params << /Size %zu >>",
             x->facts_size);
    stream(u, first, entries, x->facts, x->facts_size, true);
    object_begin(u, first + 1);
    ogv_text_addf(
        &u->out,
        "<< /Type /Filespec /F (facts.json) /UF (facts.json) /AFRelationship /Data /Desc (The facts of this report) "
        "/EF << /F %ld 0 R /UF %ld 0 R >> >>",
        first, first);
    object_end(u);
    add_metadata(u, first + 2, x, &seal);
    uint8_t icc[ICC_SIZE];
    stream(u, first + 3, "/N 3", icc, icc_srgb(icc), true);
    s = add_catalogue(u, x, first + 1, first + 2, first + 3, err);
    if (s == OGV_OK) {
      add_alts(u, x);
      add_table(u, first + 4, id);
      *out_size = u->out.length;
      *out = (uint8_t *)ogv_text_take(&u->out);
      if (!*out) s = ogv_fail(err, OGV_E_MEMORY, NULL, "the report is too large");
    }
  }
  ogv_text_free(&u->out);
  free(u);
  return s;
}

/* The draft behind the next report, the stored reports, and their pages as pictures. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_file.h"
#include "core_json.h"
#include "report_facts.h"
#include "report_preview.h"
#include "server_internal.h"

/* --- draft ----------------------------------------------------------------------------------------------------------
 */
OGV_HANDLER(draft) {
  json_t *d = NULL;
  OGV_TRY(ogv_request_store(q, err));
  OGV_TRY(ogv_store_draft(q->store, q->arg[0], &d, err));
  return ogv_reply_json(r, d, err);
}

/* Each changed sentence keeps the name of whoever changed it last. */
static void name_editors(const json_t *old, json_t *content, const char *who) {
  json_t *sentences = json_object_get(json_object_get(content, "edits"), "sentences"), *edit, *own;
  const json_t *before = json_object_get(json_object_get(old, "edits"), "sentences");
  const char *id;
  size_t i;
  json_object_foreach(sentences, id, edit) {
    const json_t *was = json_object_get(before, id);
    bool same = was && !strcmp(ogv_json_string_or(was, "text", ""), ogv_json_string_or(edit, "text", "")) &&
                json_is_true(json_object_get(was, "hidden")) == json_is_true(json_object_get(edit, "hidden"));
    json_object_set_new(edit, "who", json_string(same ? ogv_json_string_or(was, "who", who) : who));
  }
  json_array_foreach(json_object_get(json_object_get(content, "edits"), "added"), i,
                     own) if (!*ogv_json_string_or(own, "who", "")) json_object_set_new(own, "who", json_string(who));
}

/* The facts as they would be with this content: a field that they do not have is refused before anything is stored. */
static ogv_status try_content(ogv_request *q, const json_t *content, ogv_error *err) {
  json_t *facts, *o;
  size_t i;
  const json_t *edits = json_object_get(content, "edits"), *settings = json_object_get(content, "settings");
  const char *key;
  json_t *v;
  if ((edits && !json_is_object(edits)) || (settings && !json_is_object(settings)))
    return ogv_fail(err, OGV_E_INVALID, NULL, "\"edits\" and \"settings\" of a draft are objects");
  json_object_foreach(
      json_object_get(edits, "sentences"), key,
      v) if (strlen(ogv_json_string_or(v, "text", "")) > 2000) return ogv_fail(err, OGV_E_RANGE, "Shorten it.",
                                                                               "a sentence is longer than 2000 bytes");
  OGV_TRY(ogv_report_facts(q->store, q->arg[0], &facts, err));
  json_object_set_new(facts, "edits", edits ? json_deep_copy(edits) : json_object());
  json_object_foreach((json_t *)settings, key, v) json_object_set(json_object_get(facts, "settings"), key, v);
  ogv_status s = ogv_facts_compose(facts, err);
  json_array_foreach(json_object_get(facts, "open"), i,
                     o) if (s == OGV_OK && !strcmp(ogv_json_string_or(o, "code", ""), "unknown-field")) s =
      ogv_fail(err, OGV_E_INVALID, ogv_json_string_or(o, "todo", ""), "%s", ogv_json_string_or(o, "what", ""));
  json_decref(facts);
  return s;
}

OGV_HANDLER(draft_save) {
  json_t *body, *old = NULL;
  OGV_TRY(ogv_request_json(q, &body, err));
  json_t *content = json_object_get(body, "content");
  int version = 0;
  ogv_status s = json_is_object(content) ? ogv_request_store(q, err)
                                         : ogv_fail(err, OGV_E_INVALID, NULL, "a draft needs its content, an object");
  if (s == OGV_OK) s = ogv_store_draft(q->store, q->arg[0], &old, err);
  if (s == OGV_OK) {
    name_editors(json_object_get(old, "content"), content, q->who);
    s = try_content(q, content, err);
  }
  if (s == OGV_OK)
    s = ogv_store_draft_save(q->store, q->arg[0], content, (int)ogv_json_number_or(body, "version", 0), q->who,
                             &version, err);
  json_decref(old);
  json_decref(body);
  if (s != OGV_OK) return s;
  ogv_hub_publish(q->server->hub, "exam",
                  json_pack("{s:s,s:s,s:s}", "exam", q->arg[0], "who", q->who, "what", "draft"));
  return ogv_reply_json(r, json_pack("{s:i}", "version", version), err);
}

/* --- stored reports --------------------------------------------------------------------------------------------------
 */
OGV_HANDLER(report_row) {
  json_t *row = NULL, *facts = NULL;
  int pages = 0;
  OGV_TRY(ogv_request_store(q, err));
  OGV_TRY(ogv_store_report_row(q->store, q->arg[0], &row, err));
  ogv_status s = ogv_store_report_facts(q->store, q->arg[0], &facts, err);
  if (s == OGV_OK) s = ogv_report_pages(facts, &pages, err);
  if (s != OGV_OK) {
    json_decref(row);
    json_decref(facts);
    return s;
  }
  json_t *amends = json_incref(json_object_get(json_object_get(facts, "report"), "amends"));
  json_t *answer =
      json_pack("{s:o,s:O,s:i}", "report", row, "signoff", json_object_get(facts, "report"), "pages", pages);
  json_object_set_new(answer, "amends", amends ? amends : json_null());
  json_decref(facts);
  return ogv_reply_json(r, answer, err);
}

OGV_HANDLER(report_file) {
  uint8_t *pdf = NULL;
  json_t *row = NULL;
  OGV_TRY(ogv_request_store(q, err));
  OGV_TRY(ogv_store_report_row(q->store, q->arg[0], &row, err));
  snprintf(r->etag, sizeof r->etag, "%.64s", ogv_json_string_or(row, "sha256", ""));
  json_decref(row);
  OGV_TRY(ogv_store_report_pdf(q->store, q->arg[0], &pdf, &r->size, err));
  r->data = pdf;
  r->type = "application/pdf";
  r->cache = "private, no-cache";
  snprintf(r->file_name, sizeof r->file_name, "report-%.60s.pdf", q->arg[0]);
  return OGV_OK;
}

/* --- pages
 * ------------------------------------------------------------------------------------------------------------ */
static ogv_status page(ogv_request *q, const json_t *facts, const char *file, ogv_reply *r, ogv_error *err) {
  int number, width;
  char rest[8];
  if (sscanf(file, "%4d%7s", &number, rest) != 2 || strcmp(rest, ".png"))
    return ogv_fail(err, OGV_E_NOT_FOUND, "Ask for 1.png, 2.png, ...", "there is no page \"%.40s\"", file);
  OGV_TRY(ogv_query_int(q, "width", 200, 2400, 900, &width, err));
  char *text = ogv_json_canonical(facts), hash[OGV_SHA256_TEXT];
  if (!text) return ogv_fail(err, OGV_E_MEMORY, NULL, "no memory for the facts");
  ogv_sha256(text, strlen(text), hash);
  free(text);
  snprintf(r->etag, sizeof r->etag, "%.40s-%d-%d", hash, number, width);
  uint8_t *png = NULL;
  if (!ogv_cache_get(q->server->cache, r->etag, &png, &r->size)) {
    OGV_TRY(ogv_report_page_png(facts, number, width, ogv_report_picture, q, &png, &r->size, NULL, err));
    ogv_cache_put(q->server->cache, r->etag, png, r->size);
  }
  r->data = png;
  r->type = "image/png";
  r->cache = "private, no-cache";
  return OGV_OK;
}

OGV_HANDLER(page_draft) {
  json_t *facts;
  OGV_TRY(ogv_request_store(q, err));
  OGV_TRY(ogv_report_facts(q->store, q->arg[0], &facts, err));
  ogv_status s = page(q, facts, q->arg[1], r, err);
  json_decref(facts);
  return s;
}

OGV_HANDLER(page_report) {
  json_t *facts = NULL;
  OGV_TRY(ogv_request_store(q, err));
  OGV_TRY(ogv_store_report_facts(q->store, q->arg[0], &facts, err));
  ogv_status s = page(q, facts, q->arg[1], r, err);
  json_decref(facts);
  return s;
}

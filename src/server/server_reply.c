/* Requests read, replies sent. */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "core_json.h"
#include "server_internal.h"

unsigned ogv_reply_status(ogv_status s) {
  switch (s) {
    case OGV_OK: return MHD_HTTP_OK;
    case OGV_E_INVALID: return MHD_HTTP_BAD_REQUEST;
    case OGV_E_RANGE:
    case OGV_E_CORRUPT:
    case OGV_E_CALIBRATION: return 422;
    case OGV_E_NOT_FOUND: return MHD_HTTP_NOT_FOUND;
    case OGV_E_UNSUPPORTED: return MHD_HTTP_UNSUPPORTED_MEDIA_TYPE;
    case OGV_E_CONFLICT: return MHD_HTTP_CONFLICT;
    case OGV_E_DENIED: return MHD_HTTP_FORBIDDEN;
    case OGV_E_IO: return 507;
    case OGV_E_MEMORY: return MHD_HTTP_SERVICE_UNAVAILABLE;
    case OGV_E_INTERNAL: return MHD_HTTP_INTERNAL_SERVER_ERROR;
  }
  return MHD_HTTP_INTERNAL_SERVER_ERROR;
}

static bool etag_matches(const ogv_request *q, const char *etag) {
  const char *seen = MHD_lookup_connection_value(q->connection, MHD_HEADER_KIND, "If-None-Match");
  return seen && *etag && strstr(seen, etag) != NULL;
}

enum MHD_Result ogv_reply_send(ogv_request *q, ogv_reply *r) {
  if (!r->status) r->status = MHD_HTTP_OK;
  struct MHD_Response *m;
  bool head = !strcmp(q->method, "HEAD");
  if (r->stream) {
    m = r->stream;
  } else if (etag_matches(q, r->etag)) {
    if (!r->keep) free(r->data);
    r->status = MHD_HTTP_NOT_MODIFIED;
    m = MHD_create_response_from_buffer(0, (void *)"", MHD_RESPMEM_PERSISTENT);
  } else {
    m = MHD_create_response_from_buffer(r->size, r->data ? r->data : (void *)"",
                                        r->keep || !r->data ? MHD_RESPMEM_PERSISTENT : MHD_RESPMEM_MUST_FREE);
  }
  r->data = NULL;
  if (!m) return MHD_NO;
  (void)head; /* the library leaves the body out by itself */
  char buf[224];
  if (r->type) MHD_add_response_header(m, "Content-Type", r->type);
  MHD_add_response_header(m, "Cache-Control", r->cache ? r->cache : "no-store");
  if (*r->etag) {
    snprintf(buf, sizeof buf, "\"%s\"", r->etag);
    MHD_add_response_header(m, "ETag", buf);
  }
  if (*r->cookie) MHD_add_response_header(m, "Set-Cookie", r->cookie);
  if (*r->file_name) {
    snprintf(buf, sizeof buf, "inline; filename=\"%s\"", r->file_name);
    MHD_add_response_header(m, "Content-Disposition", buf);
  }
  ogv_guard_headers(m, r->type);
  enum MHD_Result ok = MHD_queue_response(q->connection, r->status, m);
  MHD_destroy_response(m);
  return ok;
}

enum MHD_Result ogv_reply_fail(ogv_request *q, const ogv_error *err) {
  ogv_reply r = {.status = q->status ? q->status : ogv_reply_status(err->code)};
  ogv_error ignored;
  json_t *v = json_pack("{s:o}", "error", ogv_error_json(err));
  if (ogv_reply_json(&r, v, &ignored) != OGV_OK) {
    static char plain[] = "{\"error\":{\"code\":\"memory\",\"what\":\"out of memory\",\"todo\":\"\"}}";
    r.type = "application/json";
    r.data = plain;
    r.size = sizeof plain - 1;
    r.keep = true;
  }
  return ogv_reply_send(q, &r);
}

ogv_status ogv_reply_json(ogv_reply *r, json_t *v, ogv_error *err) {
  char *text = v ? json_dumps(v, JSON_COMPACT | JSON_REAL_PRECISION(12)) : NULL;
  json_decref(v);
  if (!text) return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory while an answer was written");
  r->type = "application/json";
  r->data = text;
  r->size = strlen(text);
  return OGV_OK;
}

const char *ogv_query(const ogv_request *q, const char *name) {
  return MHD_lookup_connection_value(q->connection, MHD_GET_ARGUMENT_KIND, name);
}

ogv_status ogv_query_int(const ogv_request *q, const char *name, int low, int high, int otherwise, int *out,
                         ogv_error *err) {
  const char *text = ogv_query(q, name);
  *out = otherwise;
  if (!text) return OGV_OK;
  char *end;
  errno = 0;
  long v = strtol(text, &end, 10);
  if (!*text || *end || errno || v < low || v > high)
    return ogv_fail(err, OGV_E_INVALID, NULL, "%s=\"%.40s\" is not a whole number from %d to %d", name, text, low,
                    high);
  *out = (int)v;
  return OGV_OK;
}

ogv_status ogv_request_json(const ogv_request *q, json_t **out, ogv_error *err) {
  if (!q->body || !q->body_size) return ogv_fail(err, OGV_E_INVALID, NULL, "the request has no body");
  OGV_TRY(ogv_json_parse((const char *)q->body, q->body_size, "request body", out, err));
  if (json_is_object(*out)) return OGV_OK;
  json_decref(*out);
  *out = NULL;
  return ogv_fail(err, OGV_E_INVALID, NULL, "the request body is not a JSON object");
}

ogv_status ogv_request_store(ogv_request *q, ogv_error *err) {
  if (q->store) return OGV_OK;
  ogv_server *s = q->server;
  pthread_mutex_lock(&s->lock);
  if (s->n_idle) q->store = s->idle[--s->n_idle];
  pthread_mutex_unlock(&s->lock);
  if (q->store && !ogv_store_stale(q->store)) return OGV_OK;
  ogv_store_close(q->store);
  OGV_TRY(s->read_only ? ogv_store_open_reading(s->home, &q->store, err) : ogv_store_open(s->home, &q->store, err));
  ogv_store_count_changes(q->store, &s->own_changes);
  return OGV_OK;
}

void ogv_request_release(ogv_request *q) {
  if (!q) return;
  ogv_server *s = q->server;
  if (q->store) {
    pthread_mutex_lock(&s->lock);
    if (s->n_idle < sizeof s->idle / sizeof *s->idle) {
      s->idle[s->n_idle++] = q->store;
      q->store = NULL;
    }
    pthread_mutex_unlock(&s->lock);
    ogv_store_close(q->store);
  }
  if (q->upload >= 0) close(q->upload);
  if (*q->upload_path) unlink(q->upload_path);
  free(q->body);
  free(q);
}

/* Which plane is it: what the reader takes pictures for, so that the strip can group those that carry no name and the
 * page can offer the measurement that fits. It only proposes; a group that a person gave goes before it. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "server_jobs.h"
#include "server_propose.h"

#define MOST 40 /* pictures of one question */

static json_t *plane_json(const char *object, const ogv_reading *r) {
  json_t *o = json_pack("{s:s,s:s,s:f,s:b}", "object", object, "plane", ogv_plane_word(r->plane), "probability",
                        r->plane_p[r->plane], "measurable", r->accepted);
  return o;
}

/* A picture cannot change, so what it looks like is kept as long as there is room. */
static bool known(ogv_server *s, const char *key, json_t **out) {
  uint8_t *data;
  size_t n;
  if (!ogv_cache_get(s->cache, key, &data, &n)) return false;
  ogv_status st = ogv_json_parse((const char *)data, n, "cache", out, NULL);
  free(data);
  return st == OGV_OK;
}

/* Of a clip the frame in the middle stands for it. */
static ogv_status look(ogv_request *q, const char *object, json_t **out, ogv_error *err) {
  ogv_seen p;
  ogv_still still;
  ogv_reader *reader;
  ogv_reading r;
  ogv_status s = ogv_seen_open(q, object, 0, &p, err);
  if (s == OGV_OK) p.frame = p.about->frames / 2;
  if (s == OGV_OK) s = ogv_second_still(q, &p, &still, err);
  if (s == OGV_OK) s = ogv_second_long_reader(q->server->second, &reader, err);
  if (s == OGV_OK) s = ogv_reader_auto(reader, &still, &r, err);
  ogv_seen_close(q, &p);
  if (s == OGV_OK) *out = plane_json(object, &r);
  return s;
}

static ogv_status planes_work(ogv_request *q, ogv_job *job, const json_t *ask, json_t **answer, ogv_error *err) {
  const json_t *objects = json_object_get(ask, "objects"), *id;
  json_t *list = json_array();
  size_t i;
  ogv_status s = OGV_OK;
  json_array_foreach(objects, i, id) {
    char key[120];
    json_t *one = NULL;
    s = ogv_job_step(job, (int)json_array_size(objects), err);
    if (s != OGV_OK) break;
    snprintf(key, sizeof key, "plane/%.80s", json_string_value(id));
    if (!known(q->server, key, &one)) {
      if (look(q, json_string_value(id), &one, NULL) != OGV_OK) continue; /* not readable: it stays where it is */
      char *text = json_dumps(one, JSON_COMPACT);
      if (text) ogv_cache_put(q->server->cache, key, (const uint8_t *)text, strlen(text));
      free(text);
    }
    json_array_append_new(list, one);
  }
  if (s == OGV_OK) *answer = json_pack("{s:o}", "planes", list);
  else json_decref(list);
  return s;
}

OGV_HANDLER(planes) {
  json_t *body, *id;
  char job[33];
  size_t i;
  OGV_TRY(ogv_request_json(q, &body, err));
  const json_t *objects = json_object_get(body, "objects");
  ogv_status s = json_is_array(objects) && json_array_size(objects) >= 1 && json_array_size(objects) <= MOST
                     ? OGV_OK
                     : ogv_fail(err, OGV_E_INVALID, NULL, "\"objects\" is not a list of 1 to %d pictures", MOST);
  json_array_foreach(objects, i, id) if (s == OGV_OK && !json_is_string(id)) s =
      ogv_fail(err, OGV_E_INVALID, NULL, "\"objects\" holds something that is no id");
  if (s == OGV_OK) s = ogv_job_start(q, planes_work, body, job, err);
  json_decref(body);
  if (s != OGV_OK) return s;
  r->status = MHD_HTTP_ACCEPTED;
  return ogv_reply_json(r, json_pack("{s:s}", "job", job), err);
}

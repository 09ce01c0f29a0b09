/* What the program proposed, kept with the reading that came of it. The page says only what was asked (which plane, the
 * point shown); the picture is read once more, so that nothing can be stored as a proposal that the program would not
 * make. The same picture gives the same reading, and a still takes some hundredths of a second. */
#include <math.h>
#include <string.h>

#include "core_json.h"
#include "server_propose.h"

/* Numbers lose their last digits on the way to the page and back; a person moves an end by more than this. */
#define SAME_PX 1e-6

static bool same_place(const json_t *claimed, const json_t *now) {
  ogv_geometry a = {0}, b = {0};
  bool same = ogv_geometry_from_json(claimed, &a, NULL) == OGV_OK && ogv_geometry_from_json(now, &b, NULL) == OGV_OK &&
              a.kind == b.kind && a.n == b.n;
  for (size_t i = 0; same && i < 2 * a.n; i++) same = fabs(a.points[i] - b.points[i]) <= SAME_PX;
  ogv_geometry_free(&a);
  ogv_geometry_free(&b);
  return same;
}

/* The program's answer to what the page says it asked. */
static ogv_status read_again(ogv_request *q, const char *object, int frame, const json_t *proposal, json_t **answer,
                             ogv_error *err) {
  ogv_seen seen;
  const char *kind = ogv_json_string_or(proposal, "kind", "");
  ogv_status s = ogv_seen_open(q, object, frame, &seen, err);
  if (s == OGV_OK && !strcmp(kind, "rate")) s = ogv_propose_strip_rate(&seen, answer, err);
  else if (s == OGV_OK) s = ogv_second_propose(q, &seen, proposal, answer, err);
  ogv_seen_close(q, &seen);
  return s;
}

/* A person's ticks: only where the program left the judgement to them. criteria is changed. */
static ogv_status tick(json_t *criteria, const json_t *judged, const char *who, ogv_error *err) {
  const char *id;
  json_t *met, *c;
  size_t i;
  json_array_foreach(criteria, i, c) {
    bool open = !strcmp(ogv_json_string_or(c, "state", ""), "for-the-person");
    json_object_set_new(c, "by", open ? json_null() : json_string("program"));
  }
  json_object_foreach((json_t *)judged, id, met) {
    json_t *found = NULL;
    json_array_foreach(criteria, i, c) if (!strcmp(ogv_json_string_or(c, "id", ""), id)) found = c;
    if (!found || !json_is_boolean(met))
      return ogv_fail(err, OGV_E_INVALID, NULL, "\"%.40s\" is no criterion of this plane that can be ticked", id);
    if (strcmp(ogv_json_string_or(found, "state", ""), "for-the-person"))
      return ogv_fail(err, OGV_E_INVALID, NULL, "the criterion \"%.40s\" is judged by the program", id);
    json_object_set_new(found, "state", json_string(json_is_true(met) ? "met" : "not-met"));
    json_object_set_new(found, "by", json_string(who));
  }
  return OGV_OK;
}

ogv_status ogv_proposed_quality(json_t *criteria, const json_t *judged, const char *who, json_t **out, ogv_error *err) {
  *out = json_deep_copy(criteria);
  if (!*out) return OGV_OK;
  ogv_status s = tick(*out, judged, who, err);
  if (s != OGV_OK) {
    json_decref(*out);
    *out = NULL;
  }
  return s;
}

ogv_status ogv_proposed_recall(ogv_request *q, const char *object, int frame, const json_t *body, json_t **kept,
                               ogv_error *err) {
  const json_t *proposal = json_object_get(body, "proposal");
  json_t *answer = NULL, *quality = NULL;
  *kept = NULL;
  if (!json_is_object(proposal)) return OGV_OK;
  OGV_TRY(read_again(q, object, frame, proposal, &answer, err));
  ogv_status s = OGV_OK;
  if (!json_is_true(json_object_get(answer, "accepted")) ||
      !same_place(json_object_get(proposal, "geometry"), json_object_get(answer, "geometry")))
    s = ogv_fail(err, OGV_E_CONFLICT, "Propose again, or store it as your own measurement.",
                 "this is not what the program proposes on this picture");
  if (s == OGV_OK)
    s = ogv_proposed_quality(json_object_get(answer, "criteria"), json_object_get(proposal, "judged"), q->who, &quality,
                             err);
  if (s == OGV_OK) {
    *kept = json_pack("{s:O,s:O,s:O?,s:O?,s:O?,s:b}", "kind", json_object_get(answer, "kind"), "geometry",
                      json_object_get(answer, "geometry"), "plane", json_object_get(answer, "plane"), "acceptance",
                      json_object_get(answer, "acceptance"), "at", json_object_get(proposal, "at"), "adjusted",
                      !same_place(json_object_get(body, "geometry"), json_object_get(answer, "geometry")));
    if (!*kept) s = ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
    else if (quality && json_array_size(quality)) json_object_set(*kept, "criteria", quality);
  }
  json_decref(quality);
  json_decref(answer);
  return s;
}

void ogv_proposed_mark(json_t *kept, json_t *row) {
  json_t *evidence = json_object_get(row, "evidence");
  if (!kept || !json_is_object(evidence)) return;
  json_object_set(evidence, "proposal", kept);
  if (json_is_false(json_object_get(kept, "adjusted"))) json_object_set_new(row, "source", json_string("proposed"));
}

#include "measure_auto_clip.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"

static const char *main_quantity(ogv_plane k) {
  return k == OGV_PLANE_HEAD ? "hc" : k == OGV_PLANE_ABDOMEN ? "ac" : "fl";
}

static int by_value(const void *a, const void *b) {
  const ogv_clip_accepted *x = a, *y = b;
  return x->value != y->value ? (x->value > y->value) - (x->value < y->value) : x->frame - y->frame;
}
static int by_weight(const void *a, const void *b) {
  const ogv_clip_accepted *x = a, *y = b;
  return x->weight != y->weight ? (x->weight < y->weight) - (x->weight > y->weight) : x->frame - y->frame;
}

/* Weighted median; sorts k by value. */
static double middle(ogv_clip_accepted *k, int n) {
  double total = 0, sum = 0;
  qsort(k, (size_t)n, sizeof *k, by_value);
  for (int i = 0; i < n; i++) total += k[i].weight;
  for (int i = 0; i < n; i++) {
    sum += k[i].weight;
    if (sum >= total / 2) return k[i].value;
  }
  return k[n - 1].value;
}

/* Correlation of each kept value with the next in time, clipped to 0..0.98. */
static double next_correlation(const ogv_clip_accepted *k, int n, double centre) {
  double own = 0, cross = 0;
  if (n < 4) return 0.9;
  for (int i = 0; i < n; i++) own += (k[i].value - centre) * (k[i].value - centre) / n;
  for (int i = 0; i + 1 < n; i++) cross += (k[i].value - centre) * (k[i + 1].value - centre) / (n - 1);
  return own > 0 ? fmin(0.98, fmax(0, cross / own)) : 0.98;
}

void ogv_clip_combine(ogv_clip_accepted *k, int n, ogv_clip_reading *out) {
  if (n < 1) return;
  ogv_clip_accepted *sorted = malloc(sizeof *sorted * (size_t)n);
  if (!sorted) return;
  memcpy(sorted, k, sizeof *k * (size_t)n);
  out->value = middle(sorted, n);
  /* one round against strays: beyond four robust SD */
  double *d = malloc(sizeof *d * (size_t)n), single = 0;
  if (d) {
    for (int i = 0; i < n; i++)
      sorted[i] = (ogv_clip_accepted){.frame = k[i].frame, .value = fabs(k[i].value - out->value), .weight = 1};
    out->spread = 1.4826 * middle(sorted, n);
    int m = 0;
    for (int i = 0; i < n; i++)
      if (fabs(k[i].value - out->value) <= 4 * out->spread + 0.005 * out->value) k[m++] = k[i];
    out->kept = n = m;
    memcpy(sorted, k, sizeof *k * (size_t)n);
    out->value = middle(sorted, n);
    for (int i = 0; i < n; i++) single += k[i].sd / n;
    out->correlation = next_correlation(k, n, out->value);
    out->effective = fmax(1, n * (1 - out->correlation) / (1 + out->correlation));
    out->sd = hypot(out->spread / sqrt(out->effective), 0.7 * single);
    out->low = out->value - 1.96 * out->sd;
    out->high = out->value + 1.96 * out->sd;
    memcpy(sorted, k, sizeof *k * (size_t)n);
    qsort(sorted, (size_t)n, sizeof *sorted, by_weight);
    for (out->n_best = 0; out->n_best < OGV_CLIP_BEST && out->n_best < n; out->n_best++)
      out->best[out->n_best] = sorted[out->n_best].frame;
    free(d);
  }
  free(sorted);
}

static ogv_status read_frame(ogv_reader *r, ogv_plane kind, ogv_clip_frame next, void *user, int frame,
                             const ogv_still *still, ogv_reading *out, ogv_error *err) {
  ogv_image img = {0};
  OGV_TRY(next(user, frame, &img, err));
  ogv_still s = *still;
  s.image = &img;
  ogv_status st =
      kind == OGV_PLANE_OTHER ? ogv_reader_auto(r, &s, out, err) : ogv_reader_measure(r, kind, &s, out, err);
  ogv_image_free(&img);
  return st;
}

/* The plane that most looked-at frames were accepted for. */
static ogv_status settle_kind(ogv_reader *r, ogv_clip_frame next, void *user, int frames, const ogv_still *still,
                              ogv_plane *kind, ogv_error *err) {
  int votes[OGV_PLANES] = {0};
  const int look = frames < 15 ? frames : 15;
  for (int i = 0; i < look; i++) {
    ogv_reading g;
    OGV_TRY(read_frame(r, OGV_PLANE_OTHER, next, user, (int)((long)i * frames / look), still, &g, err));
    if (g.kind <= OGV_PLANE_FEMUR) votes[g.kind] += g.accepted ? 3 : 1;
  }
  *kind = OGV_PLANE_OTHER;
  int best = 0;
  for (int k = 0; k <= OGV_PLANE_FEMUR; k++)
    if (votes[k] > best) {
      best = votes[k];
      *kind = (ogv_plane)k;
    }
  return OGV_OK;
}

int ogv_clip_needed(int read) {
  int share = (read + OGV_CLIP_SHARE - 1) / OGV_CLIP_SHARE, needed = share > OGV_CLIP_LEAST ? share : OGV_CLIP_LEAST;
  return needed < read ? needed : read;
}

/* Too few frames that agree: a chance hit among many looks, or a plane that the clip only brushes. */
static void too_few(ogv_clip_reading *out, const char *first_reason) {
  const int sure = out->n_accepted, needed = ogv_clip_needed(out->read);
  if (!sure) snprintf(out->reason, sizeof out->reason, "no frame could be measured surely: %.140s", first_reason);
  else if (sure < needed)
    snprintf(out->reason, sizeof out->reason, "only %d of %d frames could be measured surely, %d are needed: %.100s",
             sure, out->read, needed, first_reason);
  else
    snprintf(out->reason, sizeof out->reason, "only %d of %d frames agree with each other, %d are needed", out->kept,
             out->read, needed);
}

ogv_status ogv_reader_clip(ogv_reader *r, ogv_plane kind, ogv_clip_frame next, void *user, int frames, int limit,
                           const ogv_still *still, ogv_clip_reading *out, ogv_error *err) {
  *out = (ogv_clip_reading){.kind = kind, .frames = frames, .value = NAN, .sd = NAN, .low = NAN, .high = NAN};
  if (frames < 1) return ogv_fail(err, OGV_E_INVALID, NULL, "the clip has no frames");
  limit = limit < 3 ? 3 : limit > 600 ? 600 : limit;
  if (kind == OGV_PLANE_OTHER) OGV_TRY(settle_kind(r, next, user, frames, still, &kind, err));
  out->kind = kind;
  if (kind == OGV_PLANE_OTHER) {
    snprintf(out->reason, sizeof out->reason, "no frame shows a head, an abdomen or a femur that can be measured");
    return OGV_OK;
  }
  const int look = frames < limit ? frames : limit;
  ogv_clip_accepted *k = malloc(sizeof *k * (size_t)look);
  ogv_reading *g = malloc(sizeof *g);
  ogv_status s = k && g ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "no memory to read a clip of %d frames", frames);
  int n = 0;
  char first_reason[200] = "";
  for (int i = 0; i < look && s == OGV_OK; i++) {
    const int frame = (int)((long)i * frames / look);
    s = read_frame(r, kind, next, user, frame, still, g, err);
    if (s != OGV_OK) break;
    out->read++;
    const ogv_reading_value *v = ogv_reading_find(g, main_quantity(kind));
    if (g->accepted && v) {
      k[n] = (ogv_clip_accepted){frame, v->value, v->sd, g->acceptance, g->n_points, {0}};
      memcpy(k[n].points, g->points, sizeof k[n].points);
      out->accepted_frame[n] = k[n];
      out->n_accepted = ++n;
    } else if (!*first_reason) snprintf(first_reason, sizeof first_reason, "%s", g->reason);
  }
  out->kept = n;
  if (s == OGV_OK) ogv_clip_combine(k, n, out);
  if (s == OGV_OK && (n < 1 || out->kept < ogv_clip_needed(out->read))) {
    too_few(out, first_reason);
  } else if (s == OGV_OK) {
    int nearest = 0;
    for (int i = 1; i < out->kept; i++)
      if (fabs(k[i].value - out->value) < fabs(k[nearest].value - out->value)) nearest = i;
    s = read_frame(r, kind, next, user, k[nearest].frame, still, &out->evidence, err);
    out->accepted = s == OGV_OK && isfinite(out->value);
  }
  free(k);
  free(g);
  return s;
}

json_t *ogv_clip_reading_json(const ogv_clip_reading *c) {
  json_t *o = json_object(), *b = json_array();
  char key[16];
  json_object_set_new(o, "looked_for", json_string(ogv_plane_word(c->kind)));
  json_object_set_new(o, "accepted", json_boolean(c->accepted));
  json_object_set_new(o, "reason", json_string(c->reason));
  json_object_set_new(o, "frames", json_integer(c->frames));
  json_object_set_new(o, "frames_read", json_integer(c->read));
  json_object_set_new(o, "frames_kept", json_integer(c->kept));
  if (c->accepted) {
    const char *q = main_quantity(c->kind);
    snprintf(key, sizeof key, "%s_mm", q);
    json_object_set_new(o, key, ogv_json_real(round(c->value * 1e4) / 1e4));
    snprintf(key, sizeof key, "%s_sd_mm", q);
    json_object_set_new(o, key, ogv_json_real(round(c->sd * 1e4) / 1e4));
    json_object_set_new(o, "interval_mm", json_pack("[f,f]", round(c->low * 1e4) / 1e4, round(c->high * 1e4) / 1e4));
    json_object_set_new(o, "spread_mm", ogv_json_real(round(c->spread * 1e4) / 1e4));
    json_object_set_new(o, "next_frame_correlation", ogv_json_real(round(c->correlation * 1e4) / 1e4));
    json_object_set_new(o, "effective_frames", ogv_json_real(round(c->effective * 1e2) / 1e2));
    for (int i = 0; i < c->n_best; i++) json_array_append_new(b, json_integer(c->best[i]));
    json_object_set(o, "best_frames", b);
    json_object_set_new(o, "evidence", ogv_reading_json(&c->evidence));
  }
  json_decref(b);
  return o;
}

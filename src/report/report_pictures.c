/* Pictures offered for the report: which frame, what is shown, which marks lie on it. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "core_json.h"
#include "core_text.h"
#include "private/report_compose.h"
#include "private/report_rows.h"

#define CHOSEN_OTHERS 6 /* pictures without a measurement that are ticked at first */

static bool has_mode(const json_t *object, const char *mode) {
  size_t i;
  json_t *m;
  json_array_foreach(json_object_get(object, "modes"), i,
                     m) if (json_is_string(m) && !strcmp(json_string_value(m), mode)) return true;
  return false;
}

static const char *group_of(const json_t *object, const char *kind) {
  if (has_mode(object, "spectrum") || !strcmp(kind, "doppler")) return "doppler";
  if (!strcmp(kind, "heart") || !strcmp(kind, "rate")) return "heart";
  return *kind ? "biometry" : "other";
}

/* The onsets of an atrioventricular interval as one interval a beat, in the middle of their trace. */
static void add_onsets(json_t *marks, const json_t *row, const char *symbol) {
  const json_t *evidence = json_object_get(row, "evidence"),
               *box = json_object_get(json_object_get(evidence, "region"), "box");
  json_t *beat;
  size_t i;
  double y = (json_number_value(json_array_get(box, 1)) + json_number_value(json_array_get(box, 3))) / 2;
  if (strcmp(ogv_json_string_or(evidence, "type", ""), "av-interval")) return;
  json_array_foreach(json_object_get(evidence, "beats"), i, beat) {
    double a = ogv_json_number_or(beat, "atrial_x", NAN), v = ogv_json_number_or(beat, "ventricular_x", NAN);
    if (json_is_false(json_object_get(beat, "used")) || !isfinite(a) || !isfinite(v)) continue;
    json_array_append_new(
        marks, json_pack("{s:s,s:s,s:{s:s,s:[[f,f],[f,f]]}}", "row", ogv_json_string_or(row, "id", ""), "symbol",
                         symbol, "geometry", "kind", "interval", "points", a, y, v, y));
  }
}

/* "HC, BPD" for the used rows of this picture; marks and first frame by the way. */
static void scan_rows(const compose *c, const json_t *object, json_t *marks, ogv_text *names, int *frame,
                      const char **kind) {
  size_t i;
  json_t *row;
  const char *id = ogv_json_string_or(object, "id", "?");
  bool framed = false;
  json_array_foreach(json_object_get(c->facts, "ledger"), i, row) {
    int f;
    if (strcmp(rows_object(row, &f), id) || !json_is_true(json_object_get(row, "used"))) continue;
    const ogv_quantity *q = ogv_quantity_find(ogv_json_string_or(row, "quantity", ""));
    if (!q) continue;
    if (!framed) *frame = f;
    framed = true;
    if (!**kind) *kind = q->kind;
    const json_t *g = rows_geometry(row);
    if (g && f == *frame)
      json_array_append_new(marks, json_pack("{s:s,s:s,s:O}", "row", ogv_json_string_or(row, "id", ""), "symbol",
                                             q->symbol, "geometry", g));
    if (f == *frame) add_onsets(marks, row, q->symbol);
    char word[64];
    snprintf(word, sizeof word, "%s", q->symbol);
    if (names->data && strstr(names->data, word)) continue;
    ogv_text_addf(names, "%s%s", names->length ? ", " : "", word);
  }
}

/* The scanned area: the box that holds all two-dimensional regions. */
static void add_area(json_t *p, const json_t *object) {
  size_t i;
  json_t *r;
  double box[4] = {INFINITY, INFINITY, -INFINITY, -INFINITY};
  json_array_foreach(json_object_get(object, "regions"), i, r) {
    const json_t *b = json_object_get(r, "box");
    if (json_integer_value(json_object_get(r, "format")) != 1 || json_array_size(b) != 4) continue;
    for (size_t k = 0; k < 4; k++) {
      double v = json_number_value(json_array_get(b, k));
      box[k] = k < 2 ? fmin(box[k], v) : fmax(box[k], v);
    }
  }
  if (box[2] > box[0] && box[3] > box[1])
    json_object_set_new(p, "area", json_pack("[f,f,f,f]", box[0], box[1], box[2], box[3]));
}

static json_t *picture_of(const compose *c, const json_t *object) {
  json_t *marks = json_array();
  ogv_text names;
  ogv_text_init(&names, 512);
  const char *kind = "", *view = ogv_json_string_or(object, "view", "");
  double frames = compose_number(object, "frames"), number = compose_number(object, "number");
  int frame = frames > 1 ? (int)(frames / 2) : 0;
  scan_rows(c, object, marks, &names, &frame, &kind);
  char caption[320], numbered[64];
  json_t *n = compose_text(c, frames > 1 ? "picture.clip" : "picture.still",
                           json_pack("{s:i,s:i}", "number", isfinite(number) ? (int)number : 0, "frame", frame + 1));
  snprintf(numbered, sizeof numbered, "%.60s", json_string_value(n));
  json_decref(n);
  snprintf(caption, sizeof caption, "%s%s%s", names.length ? names.data : view, names.length && *view ? " · " : "",
           names.length ? view : "");
  if (!*caption) {
    char id[48];
    const char *mode = json_string_value(json_array_get(json_object_get(object, "modes"), 0));
    snprintf(id, sizeof id, "mode.%.20s", mode ? mode : "2d");
    snprintf(caption, sizeof caption, "%.200s", ogv_message_plain(c->m, id));
  }
  json_t *p = json_pack("{s:s,s:i,s:s,s:s,s:s,s:o,s:b}", "object", ogv_json_string_or(object, "id", ""), "frame", frame,
                        "caption", caption, "source", numbered, "group", group_of(object, kind), "marks", marks,
                        "measured", names.length > 0);
  static const char *const copied[] = {"rows", "columns", "number", "sha256"};
  for (size_t i = 0; i < sizeof copied / sizeof *copied; i++) {
    json_t *v = json_object_get(object, copied[i]);
    if (v) json_object_set(p, copied[i], v);
  }
  add_area(p, object);
  ogv_text_free(&names);
  return p;
}

/* A person's choice ("settings.pictures": ids in order) wins; else measured pictures and a few others. */
static void choose(const compose *c, json_t *list) {
  const json_t *wanted = compose_setting(c, "pictures"), *id;
  json_t *p;
  size_t i, k;
  int others = 0;
  json_array_foreach(list, i, p) {
    bool chosen = json_is_true(json_object_get(p, "measured"));
    if (json_is_array(wanted)) {
      chosen = false;
      json_array_foreach(wanted, k, id) {
        if (json_is_string(id) && !strcmp(json_string_value(id), ogv_json_string_or(p, "object", ""))) {
          chosen = true;
          json_object_set_new(p, "order", json_integer((json_int_t)k));
        }
      }
    } else if (!chosen && others < CHOSEN_OTHERS) {
      others++;
      chosen = true;
    }
    json_object_set_new(p, "chosen", json_boolean(chosen));
  }
}

/* For parents: the favourites; without any, plain pictures that carry no measurement. */
static void choose_keepsakes(const compose *c, json_t *list) {
  size_t i, k;
  json_t *p, *o = NULL;
  bool any = false;
  json_array_foreach(json_object_get(c->facts, "objects"), k, o) any |= json_is_true(json_object_get(o, "favourite"));
  json_array_foreach(list, i, p) {
    json_array_foreach(json_object_get(c->facts, "objects"), k,
                       o) if (!strcmp(ogv_json_string_or(o, "id", ""), ogv_json_string_or(p, "object", "?"))) break;
    bool plain = !has_mode(o, "spectrum") && !has_mode(o, "m-mode") && json_object_get(p, "area");
    json_object_set_new(p, "keepsake",
                        json_boolean(any ? json_is_true(json_object_get(o, "favourite"))
                                         : plain && !json_is_true(json_object_get(p, "measured"))));
  }
}

static void sort_into(json_t *all, json_t *sorted, const char *group) {
  size_t i;
  json_t *p;
  json_array_foreach(all, i, p) if (!strcmp(ogv_json_string_or(p, "group", ""), group)) json_array_append(sorted, p);
}

void compose_pictures(compose *c) {
  json_t *all = json_array(), *sorted = json_array(), *o;
  size_t i;
  json_array_foreach(json_object_get(c->facts, "objects"), i, o) {
    const char *kind = ogv_json_string_or(o, "kind", "");
    if (!strcmp(kind, "image") || !strcmp(kind, "clip")) json_array_append_new(all, picture_of(c, o));
  }
  static const char *const groups[] = {"biometry", "heart", "doppler", "other"};
  for (size_t g = 0; g < 4; g++) sort_into(all, sorted, groups[g]);
  json_decref(all);
  choose(c, sorted);
  choose_keepsakes(c, sorted);
  json_object_set_new(c->facts, "pictures", sorted);
}

/* Why a rule of the assessment answers as it does, in words a reader can follow: each fact once, with its value and
 * the limits it lies within. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "core_json.h"
#include "private/report_compose.h"

#define FACTS 24 /* of one rule */

/* What the conditions of one fact say together. A limit is NaN where there is none; `far` ones are the loosest. */
typedef struct stated {
  const char *fact;
  const json_t *value;
  double low, high, far_low, far_high;
  bool low_in, high_in; /* the limit itself is within */
} stated;

typedef struct reasons {
  stated fact[FACTS];
  size_t n;
} reasons;

/* What a rule asks before it applies, and ages, say nothing of why it answers so. */
static bool decides(const json_t *condition) {
  const char *fact = ogv_json_string_or(condition, "fact", "");
  return !json_is_true(json_object_get(condition, "guard")) && strcmp(fact, "ga_days");
}

static void limit_low(stated *s, double v, bool in) {
  s->far_low = isnan(s->far_low) ? v : fmin(s->far_low, v);
  if (v <= s->low) return;
  s->low = v;
  s->low_in = in;
}

static void limit_high(stated *s, double v, bool in) {
  s->far_high = isnan(s->far_high) ? v : fmax(s->far_high, v);
  if (v >= s->high) return;
  s->high = v;
  s->high_in = in;
}

/* A condition that is met states its limit, one that is not met the other side of it. */
static void state(stated *s, const json_t *c) {
  const json_t *limit = json_object_get(c, "limit");
  bool met = !strcmp(ogv_json_string_or(c, "answer", ""), "met");
  double below = compose_number(limit, "below"), at_most = compose_number(limit, "at_most"),
         above = compose_number(limit, "above"), at_least = compose_number(limit, "at_least");
  if (!met && strcmp(ogv_json_string_or(c, "answer", ""), "not-met")) return;
  if (isfinite(below)) met ? limit_high(s, below, false) : limit_low(s, below, true);
  if (isfinite(at_most)) met ? limit_high(s, at_most, true) : limit_low(s, at_most, false);
  if (isfinite(above)) met ? limit_low(s, above, false) : limit_high(s, above, true);
  if (isfinite(at_least)) met ? limit_low(s, at_least, true) : limit_high(s, at_least, false);
}

/* Of a rule that is met, the conditions that are; else all whose fact is known. */
static void gather(const json_t *answer, bool met, reasons *r) {
  size_t i, k;
  json_t *c;
  r->n = 0;
  json_array_foreach(json_object_get(answer, "conditions"), i, c) {
    const char *fact = ogv_json_string_or(c, "fact", "");
    const json_t *value = json_object_get(c, "value");
    if (!decides(c) || json_is_null(value) || (met && strcmp(ogv_json_string_or(c, "answer", ""), "met"))) continue;
    for (k = 0; k < r->n && strcmp(r->fact[k].fact, fact); k++) {
    }
    if (k == FACTS) return;
    if (k == r->n) r->fact[r->n++] = (stated){fact, value, -INFINITY, INFINITY, NAN, NAN, false, false};
    state(&r->fact[k], c);
  }
}

static const char *member_of(const char *fact) {
  const char *m = strchr(fact, '.');
  return m ? m + 1 : "value";
}

/* NULL for a fact that is no quantity. A discordance stands in the table by its own name. */
static const ogv_quantity *quantity_of(const char *fact) {
  char id[64];
  snprintf(id, sizeof id, "%.*s", (int)strcspn(fact, "."), fact);
  return ogv_quantity_find(!strcmp(id, "discordance") ? "efw-discordance" : id);
}

static const struct {
  const char *fact, *name;
} named[] = {{"ua-edf", "end-diastolic flow in the umbilical artery"},
             {"dv-a-wave", "Ductus venosus a-wave"},
             {"chorionicity", "chorionicity"}};

/* "EFW centile", "MCA PSV MoM", "HC z"; the words of its condition for a fact without a name. */
static void name_of(const compose *w, const json_t *answer, const char *fact, char *buf, size_t size) {
  const ogv_quantity *q = quantity_of(fact);
  const char *member = member_of(fact), *more = "";
  size_t i;
  json_t *c;
  if (q) {
    if (!strcmp(member, "centile")) more = ogv_message_plain(w->m, "word.centile-short");
    if (!strcmp(member, "centile_fall")) more = ogv_message_plain(w->m, "word.centile-fall");
    if (!strcmp(member, "mom")) more = "MoM";
    if (!strcmp(member, "z")) more = "z";
    bool own = strchr(fact, '.') != NULL; /* a symbol says little of a fact that a rule names by a word */
    snprintf(buf, size, "%s%s%.60s", own ? q->symbol : compose_quantity_name(w, q), *more ? " " : "", more);
    return;
  }
  snprintf(buf, size, "%.90s", fact);
  for (i = 0; i < sizeof named / sizeof *named; i++)
    if (!strcmp(named[i].fact, fact)) {
      snprintf(buf, size, "%s", ogv_message_term(w->m, named[i].name));
      return;
    }
  json_array_foreach(json_object_get(answer, "conditions"), i, c) if (!strcmp(ogv_json_string_or(c, "fact", ""), fact))
      snprintf(buf, size, "%s", ogv_json_string_or(c, "text", ""));
}

/* Flow is told by a word; it has a phrase of its own. NULL for any other. */
static const char *phrase_of(const compose *w, const stated *s) {
  static const struct {
    const char *fact, *value, *phrase;
  } phrases[] = {{"ua-edf", "forward", "forward end-diastolic flow"},
                 {"ua-edf", "intermittent", "intermittent end-diastolic flow"},
                 {"ua-edf", "absent", "absent end-diastolic flow"},
                 {"ua-edf", "reversed", "reversed end-diastolic flow"},
                 {"dv-a-wave", "forward", "a-wave positive"},
                 {"dv-a-wave", "absent", "a-wave absent"},
                 {"dv-a-wave", "reversed", "a-wave reversed"}};
  const char *value = json_string_value(s->value);
  for (size_t i = 0; value && i < sizeof phrases / sizeof *phrases; i++)
    if (!strcmp(phrases[i].fact, s->fact) && !strcmp(phrases[i].value, value))
      return ogv_message_term(w->m, phrases[i].phrase);
  return NULL;
}

static bool within(const stated *s, double v) {
  return (s->low_in ? v >= s->low : v > s->low) && (s->high_in ? v <= s->high : v < s->high);
}

/* As many decimals as are usual, and up to two more where rounding would put the value on the wrong side of a limit. */
static int decimals_of(const stated *s, double v) {
  const ogv_quantity *q = quantity_of(s->fact);
  const char *member = member_of(s->fact);
  int d = 1;
  if (!strcmp(member, "mom")) d = 2;
  else if (!strncmp(member, "centile", 7)) d = fabs(v) < 10 ? 1 : 0;
  else if (!strcmp(member, "value") && q) d = q->decimals;
  for (int more = 0; more < 2; more++, d++) {
    double scale = pow(10, d);
    if (within(s, round(v * scale) / scale)) break;
  }
  return d;
}

/* "7.4", "84.6 %", or "<1" where the chart gives only a bound; "" for what is no number. */
static void value_text(const compose *w, const stated *s, char *buf, size_t size) {
  char number[OGV_MESSAGE_TEXT];
  const ogv_quantity *q = quantity_of(s->fact);
  const char *member = member_of(s->fact), *unit = q && !strcmp(member, "value") ? q->unit : "";
  double v = json_is_number(s->value) ? json_number_value(s->value) : NAN, below = compose_number(s->value, "below"),
         above = compose_number(s->value, "above");
  if (!strcmp(unit, "1")) unit = "";
  buf[0] = 0;
  if (isfinite(v) && !strcmp(member, "centile") && (v < 1 || v > 99)) snprintf(buf, size, "%s", v < 1 ? "<1" : ">99");
  else if (isfinite(v))
    snprintf(buf, size, "%s%s%s", ogv_message_number(w->m, v, decimals_of(s, v), number), *unit ? " " : "",
             !strcmp(unit, "deg") ? "°" : unit);
  else if (isfinite(below) || isfinite(above))
    snprintf(buf, size, "%s%s", isfinite(below) ? "<" : ">",
             ogv_message_number(w->m, isfinite(below) ? below : above, 0, number));
}

static const char *limit_text(const compose *w, double v, char number[OGV_MESSAGE_TEXT]) {
  return ogv_message_number(w->m, v, v == floor(v) ? 0 : v * 10 == floor(v * 10) ? 1 : 2, number);
}

static void append(char *buf, size_t size, const char *separator, const char *text) {
  size_t n = strlen(buf);
  if (n + strlen(text) + strlen(separator) + 1 < size) snprintf(buf + n, size - n, "%s%s", n ? separator : "", text);
}

/* "EFW centile 7.4 (< 10)" */
static void reason_of(const compose *w, const json_t *answer, const stated *s, char *buf, size_t size) {
  char name[160], value[OGV_MESSAGE_TEXT + 40], limits[200] = "", one[120], number[OGV_MESSAGE_TEXT];
  const char *phrase = phrase_of(w, s);
  if (phrase) {
    snprintf(buf, size, "%s", phrase);
    return;
  }
  buf[0] = 0;
  value_text(w, s, value, sizeof value);
  if (!*value) return;
  name_of(w, answer, s->fact, name, sizeof name);
  if (isfinite(s->low)) {
    snprintf(one, sizeof one, "%s %.60s", s->low_in ? "≥" : ">", limit_text(w, s->low, number));
    append(limits, sizeof limits, ", ", one);
  }
  if (isfinite(s->high)) {
    snprintf(one, sizeof one, "%s %.60s", s->high_in ? "≤" : "<", limit_text(w, s->high, number));
    append(limits, sizeof limits, ", ", one);
  }
  snprintf(buf, size, "%s %s%s%s%s", name, value, *limits ? " (" : "", limits, *limits ? ")" : "");
}

/* "EFW centile ≥ 10": where the fact would have to lie. Of a rule with classes the mildest has to be left behind. */
static void change_of(const compose *w, const json_t *answer, const stated *s, char *buf, size_t size) {
  char name[160], number[OGV_MESSAGE_TEXT];
  bool classes = json_object_get(answer, "class") != NULL, high = isfinite(s->high);
  double v = classes ? (high ? s->far_high : s->far_low) : high ? s->high : s->low;
  buf[0] = 0;
  if (!isfinite(v)) return;
  name_of(w, answer, s->fact, name, sizeof name);
  snprintf(buf, size, "%s %s %s", name,
           high        ? (s->high_in ? ">" : "≥")
           : s->low_in ? "<"
                       : "≤",
           limit_text(w, v, number));
}

static void set_list(const compose *w, json_t *answer, const char *key, const char *message, const char *list) {
  if (*list) json_object_set_new(answer, key, compose_text(w, message, json_pack("{s:s}", "list", list)));
}

void compose_reasons(const compose *w, json_t *answer) {
  bool met = !strcmp(ogv_json_string_or(answer, "answer", ""), "met");
  char text[400], because[1400] = "", missing[700] = "", changes[700] = "";
  size_t i;
  json_t *m;
  reasons r;
  gather(answer, met, &r);
  for (i = 0; i < r.n; i++) {
    reason_of(w, answer, &r.fact[i], text, sizeof text);
    if (*text) append(because, sizeof because, "; ", text);
    change_of(w, answer, &r.fact[i], text, sizeof text);
    if (met && *text) append(changes, sizeof changes, ", ", text);
  }
  json_array_foreach(json_object_get(answer, "missing"), i, m) {
    name_of(w, answer, json_string_value(m) ? json_string_value(m) : "", text, sizeof text);
    append(missing, sizeof missing, ", ", text);
  }
  if (*because) json_object_set_new(answer, "because", json_string(because));
  set_list(w, answer, "changes", "assess.changes", changes);
  if (!met) set_list(w, answer, "lacks", "assess.missing", missing);
}

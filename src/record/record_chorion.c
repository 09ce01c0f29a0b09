/* How many chorions and amnions a pregnancy of several fetuses has: appended to the pregnancy, the newest row counts
 * and every earlier one stays. A statement names what it was seen by. */
#include <string.h>

#include "record_internal.h"

static const char *const chorions[] = {"monochorionic", "dichorionic", "trichorionic", "unknown", NULL};
static const char *const amnions[] = {"monoamniotic", "diamniotic", "triamniotic", "unknown", NULL};
/* Signs as ISUOG Practice Guidelines: role of ultrasound in twin pregnancy (2016) names them. From memory. */
static const char *const signs[] = {"lambda-sign",
                                    "t-sign",
                                    "separate-placentas",
                                    "one-placenta",
                                    "different-sexes",
                                    "same-sex",
                                    "thick-membrane",
                                    "thin-membrane",
                                    "no-membrane",
                                    "cord-tangle",
                                    "separate-sacs",
                                    "earlier-report",
                                    NULL};

static int index_of(const char *const *list, const char *word) {
  for (int i = 0; list[i]; i++)
    if (!strcmp(list[i], word)) return i;
  return -1;
}

/* Each chorion holds an amnion at least; what is said must say by which sign, or that it cannot be told and why. */
static ogv_status check(const json_t *row, const char **chorion, const char **amnion, ogv_error *err) {
  OGV_TRY(ogv_json_string(row, "chorionicity", "chorionicity", chorion, err));
  *amnion = ogv_json_string_or(row, "amnionicity", "unknown");
  int c = index_of(chorions, *chorion), a = index_of(amnions, *amnion);
  if (c < 0)
    return ogv_fail(err, OGV_E_INVALID, "Use monochorionic, dichorionic, trichorionic or unknown.",
                    "chorionicity: there is no \"%.40s\"", *chorion);
  if (a < 0)
    return ogv_fail(err, OGV_E_INVALID, "Use monoamniotic, diamniotic, triamniotic or unknown.",
                    "amnionicity: there is no \"%.40s\"", *amnion);
  if (c < 3 && a < 3 && a < c)
    return ogv_fail(err, OGV_E_INVALID, "Each chorion holds an amnion at least.", "%s and %s do not go together",
                    *chorion, *amnion);
  const json_t *basis = json_object_get(row, "basis");
  json_t *sign;
  size_t i;
  json_array_foreach((json_t *)basis, i,
                     sign) if (!json_is_string(sign) ||
                               index_of(signs, json_string_value(sign)) <
                                   0) return ogv_fail(err, OGV_E_INVALID, "The signs are listed in docs/record.md.",
                                                      "chorionicity: sign %zu is not a known one", i + 1);
  if (c < 3 && !json_array_size(basis))
    return ogv_fail(err, OGV_E_INVALID, "Name the sign it was seen by, or the earlier report.",
                    "chorionicity: nothing says how it is known");
  if (c == 3 && !*ogv_json_string_or(row, "text", ""))
    return ogv_fail(err, OGV_E_INVALID, "Say why it cannot be told.", "chorionicity: unknown needs a reason");
  return OGV_OK;
}

/* The row that this one takes the place of: the newest, which must be the one that the writer saw ("" for none). */
static ogv_status predecessor(ogv_store *s, const char *pregnancy, const json_t *row, char id[OGV_ID], ogv_error *err) {
  const char *seen = ogv_json_string_or(row, "supersedes", NULL);
  char who[256];
  *id = 0;
  ogv_status st =
      ogv_sql_one_text(s->db, id, OGV_ID, err,
                       "SELECT id FROM chorionicity WHERE pregnancy=$1 ORDER BY seq DESC LIMIT 1", "t", pregnancy);
  if (st != OGV_OK && st != OGV_E_NOT_FOUND) return st;
  if (!seen || !strcmp(seen, id)) return OGV_OK;
  if (!*id) return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "there is no statement %.40s to supersede", seen);
  OGV_TRY(ogv_sql_one_text(s->db, who, sizeof who, err, "SELECT who FROM chorionicity WHERE id=$1", "t", id));
  return ogv_fail(err, OGV_E_CONFLICT, "Look at it as it is now and decide again.",
                  "the chorionicity was stated meanwhile by %s", who);
}

static ogv_status check_objects(ogv_store *s, const char *exam, const json_t *objects, ogv_error *err) {
  size_t i;
  json_t *o;
  char found[OGV_ID];
  json_array_foreach((json_t *)objects, i, o) {
    ogv_status st = ogv_sql_one_text(s->db, found, sizeof found, err, "SELECT exam FROM object WHERE id=$1", "t",
                                     json_is_string(o) ? json_string_value(o) : "");
    if (st == OGV_E_NOT_FOUND || (st == OGV_OK && strcmp(found, exam)))
      return ogv_fail(err, OGV_E_NOT_FOUND, "Name objects of this exam.",
                      "chorionicity: picture %zu is no object of this exam", i + 1);
    if (st != OGV_OK) return st;
  }
  return OGV_OK;
}

static ogv_status append(ogv_store *s, const json_t *row, const char *who, char id[OGV_ID], ogv_error *err) {
  const char *exam, *chorion, *amnion;
  char pregnancy[OGV_ID], before[OGV_ID], when[OGV_TIME];
  int64_t seq;
  OGV_TRY(ogv_json_string(row, "chorionicity", "exam", &exam, err));
  OGV_TRY(check(row, &chorion, &amnion, err));
  OGV_TRY(ogv_record_exam_pregnancy(s, exam, pregnancy, err));
  OGV_TRY(check_objects(s, exam, json_object_get(row, "objects"), err));
  OGV_TRY(predecessor(s, pregnancy, row, before, err));
  ogv_record_new_id(id);
  ogv_change c = {"chorionicity", *before ? "supersede" : "add", id, exam, pregnancy, who, NULL};
  OGV_TRY(ogv_record_change(s, &c, &seq, when, err));
  json_t *none = json_array();
  const json_t *basis = json_object_get(row, "basis"), *objects = json_object_get(row, "objects");
  ogv_status st =
      ogv_sql_run(s->db, err,
                  "INSERT INTO chorionicity(id, seq, pregnancy, exam, chorionicity, amnionicity, basis, objects, text,"
                  " supersedes, who, at) VALUES($1,$2,$3,$4,$5,$6,$7,$8,$9,$10,$11,$12)",
                  "titttt"
                  "jjtttt",
                  id, seq, pregnancy, exam, chorion, amnion, basis ? basis : none, objects ? objects : none,
                  ogv_json_string_or(row, "text", ""), *before ? before : NULL, who, when);
  json_decref(none);
  return st;
}

ogv_status ogv_store_chorionicity(ogv_store *s, const json_t *row, const char *who, char new_id[20], ogv_error *err) {
  OGV_TRY(ogv_record_enter(s, err));
  return ogv_record_leave(s, append(s, row, who, new_id, err), err);
}

static ogv_status chorion_row(ogv_store *s, ogv_rows *q, json_t **out, ogv_error *err) {
  (void)s;
  return ogv_record_made(
      json_pack("{s:s,s:s,s:o,s:s,s:s,s:o,s:o,s:s,s:s,s:s}", "id", ogv_sql_text(q, 0), "exam", ogv_sql_text(q, 1),
                "date", ogv_sql_json_text(q, 2), "chorionicity", ogv_sql_text(q, 3), "amnionicity", ogv_sql_text(q, 4),
                "basis", ogv_sql_json(q, 5), "objects", ogv_sql_json(q, 6), "text", ogv_sql_text(q, 7), "who",
                ogv_sql_text(q, 8), "when", ogv_sql_text(q, 9)),
      out, err);
}

ogv_status ogv_record_chorionicity_json(ogv_store *s, const char *pregnancy, json_t **out, ogv_error *err) {
  ogv_rows *q;
  OGV_TRY(ogv_sql_query(s->db, &q, err,
                        "SELECT c.id, c.exam, e.date, c.chorionicity, c.amnionicity, c.basis, c.objects, c.text, c.who,"
                        " c.at FROM chorionicity c JOIN exam e ON e.id=c.exam WHERE c.pregnancy=$1 ORDER BY c.seq",
                        "t", pregnancy));
  return ogv_record_rows(s, q, chorion_row, out, err);
}

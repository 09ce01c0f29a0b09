/* `ogive date EXAM`: evidence and decision into the record. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_command.h"
#include "cli_date.h"
#include "cli_store.h"
#include "core_file.h"
#include "core_json.h"
#include "intake_dating.h"

/* Each piece is added once, however often the command is repeated. */
static ogv_status add_evidence(ogv_store *s, const char *pregnancy, const char *exam, const json_t *evidence,
                               const char *who, ogv_error *err) {
  size_t i;
  json_t *piece;
  json_array_foreach((json_t *)evidence, i, piece) {
    char *text = ogv_json_canonical(piece), hash[OGV_SHA256_TEXT];
    json_t *e = text ? json_deep_copy(piece) : NULL;
    if (!e) {
      free(text);
      return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory at dating evidence");
    }
    ogv_sha256(text, strlen(text), hash);
    free(text);
    json_object_set_new(e, "key", json_sprintf("typed:%.40s", hash));
    json_object_set_new(e, "exam", json_string(exam));
    ogv_status st = ogv_store_dating_evidence(s, pregnancy, e, who, err);
    json_decref(e);
    OGV_TRY(st);
  }
  return OGV_OK;
}

static ogv_status date_exam(const char *given, const json_t *evidence, const char *rule, const char *why, json_t **out,
                            ogv_error *err) {
  ogv_store *s;
  json_t *e = NULL;
  OGV_TRY(ogv_cli_open_store(&s, err));
  const char *who = ogv_cli_who(NULL);
  ogv_status st = ogv_store_exam(s, given, &e, err);
  const char *pregnancy = ogv_json_string_or(json_object_get(e, "pregnancy"), "id", "");
  if (st == OGV_OK) st = ogv_store_begin(s, err); /* evidence and decision together, or neither */
  if (st == OGV_OK) {
    st = add_evidence(s, pregnancy, ogv_json_string_or(e, "id", ""), evidence, who, err);
    if (st == OGV_OK) st = ogv_intake_decide(s, pregnancy, rule, NULL, why, who, out, err);
    if (st == OGV_OK) st = ogv_store_commit(s, err);
    if (st != OGV_OK) ogv_store_rollback(s);
  }
  json_decref(e);
  ogv_store_close(s);
  return st;
}

int ogv_cli_date_exam(const char *exam, const json_t *evidence, const char *rule, const char *why, bool json) {
  ogv_error err = {0};
  json_t *out = NULL;
  ogv_status st = date_exam(exam, evidence, rule, why, &out, &err);
  if (st != OGV_OK) return ogv_cli_fail("date", &err, json);
  if (json) return ogv_cli_print_json(out);
  const json_t *d = json_object_get(out, "decision");
  printf("Due %s, recorded by %s (rule %s).\n%s\n", ogv_json_string_or(d, "edd", ""), ogv_json_string_or(d, "who", ""),
         ogv_json_string_or(d, "rule", ""), ogv_json_string_or(d, "reason", ""));
  json_decref(out);
  return 0;
}

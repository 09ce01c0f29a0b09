/* `ogive chorionicity`: what is stated of the chorions and amnions of a pregnancy, and a new statement. */
#include <stdio.h>
#include <string.h>

#include "cli_args.h"
#include "cli_command.h"
#include "cli_store.h"
#include "core_json.h"

static int run(int argc, char **argv);
const ogv_command ogv_cmd_chorionicity = {
    "chorionicity", "state, or show, the chorions and amnions of a pregnancy of several fetuses",
    "usage: ogive chorionicity EXAM [--json]                                     what is stated, and by whom\n"
    "       ogive chorionicity EXAM --is WHAT --by-sign SIGN[,SIGN...] [OPTION...]  a statement made at this exam\n\n"
    "  --is WHAT        monochorionic-diamniotic, monochorionic-monoamniotic, monochorionic, dichorionic-diamniotic,\n"
    "                   dichorionic-triamniotic, trichorionic-triamniotic, or unknown (then --text says why)\n"
    "  --by-sign SIGN   lambda-sign, t-sign, separate-placentas, one-placenta, different-sexes, same-sex,\n"
    "                   thick-membrane, thin-membrane, no-membrane, cord-tangle, separate-sacs, earlier-report\n"
    "  --object ID      a picture of this exam that shows it\n"
    "  --text TEXT      a remark\n"
    "  --by WHO         who states it (default: OGIVE_USER, else the log-in name of this machine)\n\n"
    "The statement holds for the whole pregnancy. A later one takes the place of an earlier, which stays in the "
    "record.\n"
    "The signs are most reliable before 14 weeks. Supports qualified staff; local protocol decides.\n\n"
    "example: ogive chorionicity latest --is monochorionic-diamniotic --by-sign t-sign,one-placenta\n"
    "exit codes: 0 done, 2 usage, 3 bad statement, 4 no such exam or picture\n",
    run};

/* "monochorionic-diamniotic" into its two words; the second may be missing. */
static json_t *statement(const char *is, const char *signs, const char *object, const char *text, const char *exam) {
  char copy[400], *save = NULL, what[80];
  snprintf(what, sizeof what, "%s", is);
  char *dash = strchr(what, '-');
  if (dash) *dash = 0;
  json_t *row = json_pack("{s:s,s:s,s:s,s:s,s:[],s:[]}", "exam", exam, "chorionicity", what, "amnionicity",
                          dash ? dash + 1 : "unknown", "text", text ? text : "", "basis", "objects");
  snprintf(copy, sizeof copy, "%s", signs ? signs : "");
  for (char *s = strtok_r(copy, ", ", &save); s; s = strtok_r(NULL, ", ", &save))
    json_array_append_new(json_object_get(row, "basis"), json_string(s));
  if (object) json_array_append_new(json_object_get(row, "objects"), json_string(object));
  return row;
}

static void print_rows(const json_t *rows) {
  size_t i, k;
  json_t *o, *sign;
  json_array_foreach(rows, i, o) {
    bool unknown = !strcmp(ogv_json_string_or(o, "chorionicity", ""), "unknown");
    const char *amnion = ogv_json_string_or(o, "amnionicity", "unknown");
    printf("%s%s%s%s  exam %s, %s, %.10s", i + 1 == json_array_size(rows) ? "" : "(superseded) ",
           unknown ? "cannot be told" : ogv_json_string_or(o, "chorionicity", ""),
           strcmp(amnion, "unknown") ? ", " : "", strcmp(amnion, "unknown") ? amnion : "",
           ogv_json_string_or(o, "date", "undated"), ogv_json_string_or(o, "who", ""),
           ogv_json_string_or(o, "when", ""));
    json_array_foreach(json_object_get(o, "basis"), k, sign)
        printf("%s%s", k ? ", " : "  by ", json_string_value(sign));
    printf("%s%s\n", *ogv_json_string_or(o, "text", "") ? ": " : "", ogv_json_string_or(o, "text", ""));
  }
  if (!json_array_size(rows)) puts("Nothing is stated. Give --is and --by-sign.");
}

int run(int argc, char **argv) {
  const char *is = NULL, *signs = NULL, *object = NULL, *text = NULL, *by = NULL;
  bool json = false;
  char *rest[OGV_ARG_REST], id[20];
  size_t n;
  const ogv_arg args[] = {{"--is", OGV_ARG_TEXT, &is},         {"--by-sign", OGV_ARG_TEXT, &signs},
                          {"--object", OGV_ARG_TEXT, &object}, {"--text", OGV_ARG_TEXT, &text},
                          {"--by", OGV_ARG_TEXT, &by},         {"--json", OGV_ARG_FLAG, &json},
                          {NULL, OGV_ARG_FLAG, NULL}};
  int code = ogv_cli_args(&ogv_cmd_chorionicity, argc, argv, args, rest, &n);
  if (code) return code;
  if (n != 1) return ogv_cli_usage(&ogv_cmd_chorionicity, "name one exam");
  if (!is && (signs || object || text)) return ogv_cli_usage(&ogv_cmd_chorionicity, "--is is missing");
  ogv_error err = {0};
  ogv_store *s = NULL;
  json_t *exam = NULL, *row = NULL;
  ogv_status st = ogv_cli_open_store(&s, &err);
  if (st == OGV_OK) st = ogv_store_exam(s, rest[0], &exam, &err);
  if (st == OGV_OK && is) {
    row = statement(is, signs, object, text, ogv_json_string_or(exam, "id", ""));
    st = ogv_store_chorionicity(s, row, ogv_cli_who(by), id, &err);
    json_decref(row);
    json_decref(exam);
    exam = NULL;
    if (st == OGV_OK) st = ogv_store_exam(s, rest[0], &exam, &err);
  }
  ogv_store_close(s);
  if (st != OGV_OK) {
    json_decref(exam);
    return ogv_cli_fail("chorionicity", &err, json);
  }
  const json_t *rows = json_object_get(json_object_get(exam, "pregnancy"), "chorionicity");
  if (json) code = ogv_cli_print_json(json_deep_copy(rows));
  else print_rows(rows);
  json_decref(exam);
  return code;
}

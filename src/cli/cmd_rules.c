/* `ogive rules`: published classification rules over given facts: met, not met, or cannot tell, with what was used. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_args.h"
#include "cli_command.h"
#include "cli_csv.h"
#include "cli_store.h"
#include "core_json.h"
#include "obstetrics_rules.h"
#include "report_facts.h"
#include "report_rules.h"

static int run(int argc, char **argv);

const ogv_command ogv_cmd_rules = {
    "rules", "published definitions (growth, twins, fluid, Doppler, ...): met, not met or cannot tell",
    "usage: ogive rules EXAM [--fact chorionicity=dichorionic] [OPTION...]     an exam of the record\n"
    "       ogive rules --ga 30w0d --fact A.efw=1100 --fact A.ua-pi=1.5 [OPTION...]\n"
    "       ogive rules --input FILE|-      JSON facts, or a list of them\n"
    "       ogive rules --lines FILE|-      one JSON object a line in, one answer a line out: any number of rows\n"
    "       ogive rules --list\n\n"
    "facts are paths: A.efw=1100 (fetus A, in the unit of the quantity), A.efw.centile=8, A.ua-edf=absent,\n"
    "pregnancy.uta-pi=1.4, chorionicity=dichorionic. Centiles, ratios, weight and discordance that are not given are\n"
    "computed on the default charts, which are named in the answer.\n"
    "With EXAM (an id, its beginning, or \"latest\") they come from the record as the report judges them; --fact adds "
    "to them.\n"
    "  --ga 30w0d          gestational age\n"
    "  --rule ID           this rule only; exit code 0 met, 1 not met, 4 cannot tell (of several fetuses: met if one "
    "is)\n"
    "  --unconfirmed       also rules of status from-memory, which are switched off\n"
    "  --all               also rules that do not apply or whose facts are all missing\n"
    "  --json              prints JSON\n\n"
    "A rule says what a published definition makes of the numbers; it orders nothing. Local protocol and licensed\n"
    "practice decide.\n\n"
    "example: ogive rules --ga 30w0d --fact A.efw.centile=8 --fact A.ac.centile=20 --fact A.ua-pi.centile=96\n"
    "         --fact A.ua-edf=forward --rule fgr-early-delphi2016\n"
    "exit codes: 0 done, 1 not met (with --rule), 2 usage, 3 bad input, 4 no such rule, or cannot tell (with --rule)\n",
    run};

typedef struct {
  const char *rule;
  bool unconfirmed, everything, json;
} options;

static json_t *value_of(const char *text) {
  double d;
  if (!strcmp(text, "true") || !strcmp(text, "yes")) return json_true();
  if (!strcmp(text, "false") || !strcmp(text, "no")) return json_false();
  if (*text && ogv_csv_number(text, &d)) return json_real(d);
  return json_string(text);
}

static json_t *child(json_t *o, const char *key) {
  json_t *c = json_object_get(o, key);
  if (json_is_object(c)) return c;
  json_t *fresh = json_object();
  if (json_is_number(c)) json_object_set(fresh, "value", c); /* A.efw=1100 and then A.efw.centile=8 */
  json_object_set_new(o, key, fresh);
  return fresh;
}

/* A.efw.centile=8: the first word is a fetus unless it is "pregnancy" or stands alone. */
static ogv_status add_fact(json_t *facts, const char *text, ogv_error *err) {
  char path[128], *part[4] = {0};
  size_t n = 0, length = strcspn(text, "=");
  if (!text[length] || length == 0 || length >= sizeof path)
    return ogv_fail(err, OGV_E_INVALID, "Write A.efw=1100 or chorionicity=dichorionic.", "\"%.60s\" is not a fact",
                    text);
  snprintf(path, sizeof path, "%.*s", (int)length, text);
  char *save = NULL;
  for (char *p = strtok_r(path, ".", &save); p && n < 4; p = strtok_r(NULL, ".", &save)) part[n++] = p;
  if (n == 0 || n > 3) return ogv_fail(err, OGV_E_INVALID, "Write A.efw.centile=8.", "\"%.60s\" is not a fact", text);
  json_t *o = n == 1                          ? facts
              : !strcmp(part[0], "pregnancy") ? child(facts, "pregnancy")
                                              : child(child(facts, "fetuses"), part[0]);
  if (n == 3) o = child(o, part[1]);
  json_t *old = json_object_get(o, part[n - 1]);
  if (n == 2 && json_is_object(old)) json_object_set_new(old, "value", value_of(text + length + 1));
  else json_object_set_new(o, part[n - 1], value_of(text + length + 1));
  return OGV_OK;
}

static ogv_status answer_one(const ogv_rule *r, const json_t *facts, json_t *out, ogv_error *err) {
  const char *label;
  json_t *f, *one;
  if (!r->per_fetus) {
    OGV_TRY(ogv_rule_apply(r, facts, NULL, &one, err));
    json_array_append_new(out, one);
    return OGV_OK;
  }
  json_object_foreach(json_object_get(facts, "fetuses"), label, f) {
    OGV_TRY(ogv_rule_apply(r, facts, label, &one, err));
    json_array_append_new(out, one);
  }
  return OGV_OK;
}

/* The facts as they were completed, and the answers. */
static ogv_status answer(json_t *facts, const options *o, json_t **out, ogv_error *err) {
  json_t *list = NULL;
  *out = NULL;
  OGV_TRY(ogv_rule_facts_complete(facts, err));
  if (o->rule) {
    const ogv_rule *r = ogv_rule_find(o->rule);
    if (!r)
      return ogv_fail(err, OGV_E_NOT_FOUND, "ogive rules --list shows them.", "there is no rule \"%.60s\"", o->rule);
    list = json_array();
    ogv_status s = answer_one(r, facts, list, err);
    if (s != OGV_OK) {
      json_decref(list);
      return s;
    }
  } else {
    OGV_TRY(ogv_rules_apply(facts, o->unconfirmed, o->everything, &list, err));
  }
  *out = json_pack("{s:O,s:o}", "facts", facts, "answers", list);
  return *out ? OGV_OK : ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
}

static void print_value(const json_t *v) {
  if (json_is_number(v)) printf("%.4g", json_number_value(v));
  else if (json_is_string(v)) printf("%s", json_string_value(v));
  else if (json_is_boolean(v)) printf("%s", json_is_true(v) ? "yes" : "no");
  else if (json_object_get(v, "below")) printf("under %.4g", json_number_value(json_object_get(v, "below")));
  else if (json_object_get(v, "above")) printf("over %.4g", json_number_value(json_object_get(v, "above")));
  else printf("not known");
}

static void print_answer(const json_t *a) {
  const char *fetus = ogv_json_string_or(a, "fetus", NULL), *class = ogv_json_string_or(a, "class", NULL);
  size_t i;
  json_t *c;
  printf("%-11s %s%s%s%s%s%s%s\n",
         json_is_true(json_object_get(a, "applies")) ? ogv_json_string_or(a, "answer", "") : "-", fetus ? fetus : "",
         fetus ? ": " : "", ogv_json_string_or(a, "title", ""), class ? ": " : "", class ? class : "",
         json_is_true(json_object_get(a, "near_limit")) ? "  (near a limit: another measurement may answer otherwise)"
                                                        : "",
         strcmp(ogv_json_string_or(a, "status", ""), "from-memory") ? "" : "  (from memory)");
  json_array_foreach(json_object_get(a, "conditions"), i, c) {
    printf("            %-11s %s = ", ogv_json_string_or(c, "answer", ""), ogv_json_string_or(c, "text", ""));
    print_value(json_object_get(c, "value"));
    if (json_object_get(c, "chart")) printf(" [%s]", ogv_json_string_or(c, "chart", ""));
    puts("");
  }
  printf("            %s\n", ogv_json_string_or(a, "citation", ""));
}

static int code_of(const json_t *answers, const options *o) {
  size_t i;
  json_t *a;
  int code = 1;
  if (!o->rule) return 0;
  json_array_foreach(answers, i, a) {
    const char *word = ogv_json_string_or(a, "answer", "");
    if (!strcmp(word, "met")) return 0;
    if (!strcmp(word, "cannot-tell")) code = 4;
  }
  return code;
}

static int single(json_t *facts, const options *o) {
  json_t *out;
  ogv_error err = {0};
  size_t i;
  json_t *a;
  if (answer(facts, o, &out, &err) != OGV_OK) return ogv_cli_fail("rules", &err, o->json);
  const json_t *answers = json_object_get(out, "answers");
  int code = code_of(answers, o), printed = 0;
  if (o->json) {
    printed = ogv_cli_print_json(out);
    return printed ? printed : code;
  }
  json_array_foreach(answers, i, a) print_answer(a);
  if (!json_array_size(answers)) puts("no rule applies to these facts; --all lists every rule and what it needs");
  json_decref(out);
  return code;
}

static ogv_status of_exam(const char *exam, json_t **out, ogv_error *err) {
  ogv_store *store;
  json_t *facts = NULL;
  *out = NULL;
  OGV_TRY(ogv_cli_open_store_reading(&store, err));
  ogv_status s = ogv_report_facts(store, exam, &facts, err);
  if (s == OGV_OK) s = ogv_report_rule_facts(facts, out, err);
  json_decref(facts);
  ogv_store_close(store);
  return s;
}

static json_t *refusal(const ogv_error *err) { return json_pack("{s:o}", "error", ogv_error_json(err)); }

static int input(const char *path, options *o) {
  json_t *in = NULL, *one;
  json_error_t je;
  ogv_error err = {0};
  ogv_status s = OGV_OK;
  size_t i;
  if (strcmp(path, "-")) s = ogv_json_load(path, &in, &err);
  else if (!(in = json_loadf(stdin, JSON_REJECT_DUPLICATES, &je)))
    s = ogv_fail(&err, OGV_E_INVALID, "Correct the JSON at that place.", "standard input, line %d column %d: %s",
                 je.line, je.column, je.text);
  if (s != OGV_OK) return ogv_cli_fail("rules", &err, o->json);
  int code;
  if (json_is_array(in)) {
    json_t *all = json_array(), *out;
    json_array_foreach(in, i, one)
        json_array_append_new(all, answer(one, o, &out, &err) == OGV_OK ? out : refusal(&err));
    code = ogv_cli_print_json(all);
  } else {
    code = single(in, o);
  }
  json_decref(in);
  return code;
}

static int lines(const char *path, const options *o) {
  FILE *f = strcmp(path, "-") ? fopen(path, "r") : stdin;
  char *line = NULL;
  size_t cap = 0, number = 0;
  ssize_t n;
  ogv_error err = {0};
  if (!f) return ogv_fail(&err, OGV_E_NOT_FOUND, NULL, "%s cannot be opened", path), ogv_cli_fail("rules", &err, 0);
  while ((n = getline(&line, &cap, f)) > 0) {
    char name[64];
    json_t *facts = NULL, *out = NULL;
    snprintf(name, sizeof name, "line %zu", ++number);
    err = (ogv_error){0};
    ogv_status s = ogv_json_parse(line, (size_t)n, name, &facts, &err);
    if (s == OGV_OK) s = answer(facts, o, &out, &err);
    if (s != OGV_OK) out = refusal(&err);
    json_dumpf(out, stdout, JSON_COMPACT);
    putchar('\n');
    json_decref(out);
    json_decref(facts);
  }
  free(line);
  if (f != stdin) fclose(f);
  return fflush(stdout) == 0 ? 0 : 6;
}

static int list(bool json) {
  json_t *all = json_array();
  for (size_t i = 0; ogv_rule_at(i); i++) {
    const ogv_rule *r = ogv_rule_at(i);
    if (!json)
      printf("%-32s %-9s %-15s %s\n%34s%s\n", r->id, r->area, r->enabled ? r->status : "off: from memory", r->title, "",
             r->citation);
    json_array_append_new(all, json_pack("{s:s,s:s,s:s,s:s,s:s,s:s,s:b,s:b}", "id", r->id, "title", r->title,
                                         "citation", r->citation, "status", r->status, "area", r->area, "note", r->note,
                                         "per_fetus", r->per_fetus, "enabled", r->enabled));
  }
  if (json) return ogv_cli_print_json(all);
  json_decref(all);
  return 0;
}

static int run(int argc, char **argv) {
  options o = {0};
  const char *ga = NULL, *input_path = NULL, *lines_path = NULL;
  bool show_list = false;
  ogv_arg_list given = {0};
  const ogv_arg args[] = {{"--ga", OGV_ARG_TEXT, &ga},
                          {"--fact", OGV_ARG_MANY, &given},
                          {"--rule", OGV_ARG_TEXT, &o.rule},
                          {"--unconfirmed", OGV_ARG_FLAG, &o.unconfirmed},
                          {"--all", OGV_ARG_FLAG, &o.everything},
                          {"--json", OGV_ARG_FLAG, &o.json},
                          {"--input", OGV_ARG_TEXT, &input_path},
                          {"--lines", OGV_ARG_TEXT, &lines_path},
                          {"--list", OGV_ARG_FLAG, &show_list},
                          {NULL, OGV_ARG_FLAG, NULL}};
  char *rest[OGV_ARG_REST];
  size_t n_rest;
  ogv_error err = {0};
  int code = ogv_cli_args(&ogv_cmd_rules, argc, argv, args, rest, &n_rest);
  if (code) return code;
  if (n_rest > 1) return ogv_cli_usage(&ogv_cmd_rules, "\"%.40s\" is not understood", rest[1]);
  if (show_list) return list(o.json);
  if (lines_path) return lines(lines_path, &o);
  if (input_path) return input(input_path, &o);
  if (!given.n && !n_rest) return ogv_cli_usage(&ogv_cmd_rules, "give an exam, or facts with --fact or --input");
  json_t *facts = NULL;
  ogv_status s = n_rest ? of_exam(rest[0], &facts, &err) : OGV_OK;
  if (!facts) facts = json_object();
  if (ga) json_object_set_new(facts, "ga", json_string(ga));
  for (size_t i = 0; s == OGV_OK && i < given.n; i++) s = add_fact(facts, given.value[i], &err);
  code = s == OGV_OK ? single(facts, &o) : ogv_cli_fail("rules", &err, o.json);
  json_decref(facts);
  return code;
}

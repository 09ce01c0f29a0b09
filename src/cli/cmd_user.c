/* `ogive user`: the people who may log in. */
#include <stdio.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#include "cli_args.h"
#include "cli_command.h"
#include "cli_store.h"
#include "core_json.h"
#include "record_access.h"
#include "server_user.h"

static int run(int argc, char **argv);
const ogv_command ogv_cmd_user = {
    "user", "people who may log in: add, list, disable, enable, password",
    "usage: ogive user add NAME --role ROLE [--name \"FULL NAME\"]   (the password is the first line of standard "
    "input)\n"
    "       ogive user password NAME                             (likewise)\n"
    "       ogive user disable NAME | enable NAME | list [--json]\n\n"
    "Roles: sonographer (measures, describes, drafts), reporter (and signs), lead (and protocols, set-up), "
    "administrator\n"
    "(people and set-up, no clinical work). The first person must be an administrator. While there is nobody, one "
    "person\n"
    "works without log-in; the first person switches log-in on for good. Nobody is ever erased: older rows stay.\n\n"
    "  --by WHO   who does this (default: OGIVE_USER, else the log-in name of this machine)\n\n"
    "example: printf 'correct horse battery\\n' | ogive user add ann --role administrator --name \"Ann Example\"\n"
    "exit codes: 0 done, 2 usage, 3 bad name, role or password, 4 no such person, 7 the last administrator must stay\n",
    run};

/* One line from standard input, without echo on a terminal. */
static ogv_status read_password(char *buf, size_t size, ogv_error *err) {
  struct termios before, quiet;
  bool terminal = isatty(STDIN_FILENO) && tcgetattr(STDIN_FILENO, &before) == 0;
  if (terminal) {
    quiet = before;
    quiet.c_lflag &= ~(tcflag_t)ECHO;
    tcsetattr(STDIN_FILENO, TCSAFLUSH, &quiet);
    fputs("Password: ", stderr);
  }
  bool got = fgets(buf, (int)size, stdin) != NULL;
  if (terminal) {
    tcsetattr(STDIN_FILENO, TCSAFLUSH, &before);
    fputc('\n', stderr);
  }
  if (!got)
    return ogv_fail(err, OGV_E_INVALID, "Send it as the first line of standard input.", "no password was given");
  buf[strcspn(buf, "\r\n")] = 0;
  return OGV_OK;
}

static ogv_status change(ogv_store *s, const char *verb, const char *user, const char *role, const char *name,
                         const char *by, ogv_error *err) {
  json_t *person = NULL;
  ogv_error none;
  bool add = !strcmp(verb, "add"), known = ogv_store_person(s, user, false, &person, &none) == OGV_OK;
  ogv_status st = OGV_OK;
  if (add && known)
    st = ogv_fail(err, OGV_E_CONFLICT, "Use \"ogive user enable\" or \"password\".", "there is already a user %.60s",
                  user);
  if (!add && !known)
    st = ogv_fail(err, OGV_E_NOT_FOUND, "\"ogive user list\" shows them.", "there is no user %.60s", user);
  if (st == OGV_OK && add)
    person = json_pack("{s:s,s:s,s:s}", "user", user, "name", name ? name : user, "role", role ? role : "");
  if (st == OGV_OK && (add || !strcmp(verb, "password"))) {
    char password[260], hash[OGV_PASSWORD_HASH];
    st = read_password(password, sizeof password, err);
    if (st == OGV_OK) st = ogv_password_hash(password, hash, err);
    if (st == OGV_OK) json_object_set_new(person, "password_hash", json_string(hash));
    memset(password, 0, sizeof password);
  } else if (st == OGV_OK) json_object_set_new(person, "active", json_boolean(!strcmp(verb, "enable")));
  if (st == OGV_OK) st = ogv_store_person_put(s, person, by, err);
  json_decref(person);
  return st;
}

static void print_people(const json_t *list) {
  size_t i;
  json_t *p;
  json_array_foreach(list, i, p)
      printf("%-20s  %-14s  %-9s  %s\n", ogv_json_string_or(p, "user", ""), ogv_json_string_or(p, "role", ""),
             json_is_true(json_object_get(p, "active")) ? "active" : "disabled", ogv_json_string_or(p, "name", ""));
  if (!json_array_size(list))
    puts(
        "There is nobody: one person works without log-in. \"ogive user add NAME --role administrator\" switches "
        "log-in on.");
}

int run(int argc, char **argv) {
  const char *role = NULL, *name = NULL, *by = NULL;
  bool json = false;
  char *rest[OGV_ARG_REST];
  size_t n;
  const ogv_arg args[] = {{"--role", OGV_ARG_TEXT, &role},
                          {"--name", OGV_ARG_TEXT, &name},
                          {"--by", OGV_ARG_TEXT, &by},
                          {"--json", OGV_ARG_FLAG, &json},
                          {NULL, OGV_ARG_FLAG, NULL}};
  int code = ogv_cli_args(&ogv_cmd_user, argc, argv, args, rest, &n);
  if (code) return code;
  const char *verb = n ? rest[0] : "";
  bool list = !strcmp(verb, "list"), changes = !strcmp(verb, "add") || !strcmp(verb, "disable") ||
                                               !strcmp(verb, "enable") || !strcmp(verb, "password");
  if (!(list && n == 1) && !(changes && n == 2))
    return ogv_cli_usage(&ogv_cmd_user, "add NAME, password NAME, disable NAME, enable NAME, or list");
  if (!strcmp(verb, "add") && !role) return ogv_cli_usage(&ogv_cmd_user, "--role is missing");
  ogv_error err = {0};
  ogv_store *s = NULL;
  json_t *people = NULL;
  ogv_status st = ogv_cli_open_store(&s, &err);
  if (st == OGV_OK && changes) st = change(s, verb, rest[1], role, name, ogv_cli_who(by), &err);
  if (st == OGV_OK) st = ogv_store_people(s, &people, &err);
  ogv_store_close(s);
  if (st != OGV_OK) return ogv_cli_fail("user", &err, json);
  if (json) return ogv_cli_print_json(people);
  if (list) print_people(people);
  else printf("%s: done\n", rest[1]);
  json_decref(people);
  return 0;
}

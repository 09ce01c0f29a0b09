#include "cli_several.h"

#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#include "cli_command.h"
#include "core_file.h"

typedef struct work {
  const ogv_cli_several *how;
  json_t *all; /* of several as JSON */
  bool several;
  int read, refused, failed;
} work;

static ogv_status read_one(work *w, const char *file, ogv_error *err) {
  json_t *v = NULL;
  ogv_text text;
  ogv_text_init(&text, 1 << 16);
  ogv_status s = w->how->one(w->how->user, file, &v, &text, err);
  if (s == OGV_OK && text.failed) s = ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  if (s == OGV_OK) {
    w->read++;
    w->refused += !json_is_true(json_object_get(v, "accepted"));
    if (!w->how->json) { /* one line stands beside the name, more below it */
      const char *lines = text.data ? text.data : "", *end = strchr(lines, '\n');
      if (w->several) printf("%s:%s", file, end && end[1] ? "\n" : " ");
      fputs(lines, stdout);
    } else {
      json_object_set_new(v, "file", json_string(file));
      if (w->all) json_array_append(w->all, v);
      else ogv_cli_print_json(json_incref(v));
    }
  }
  json_decref(v);
  ogv_text_free(&text);
  return s;
}

/* Of several, a file that cannot be read is told and passed over. */
static ogv_status visit(void *user, const char *path, ogv_error *err) {
  work *w = user;
  ogv_error one = {0};
  (void)err;
  if (read_one(w, path, &one) == OGV_OK) return OGV_OK;
  w->failed++;
  if (w->all)
    json_array_append_new(w->all, json_pack("{s:s,s:b,s:s}", "file", path, "accepted", 0, "reason", one.what));
  else if (strstr(one.what, path)) fprintf(stderr, "ogive %s: %s\n", w->how->called, one.what);
  else fprintf(stderr, "ogive %s: %s: %s\n", w->how->called, path, one.what);
  return OGV_OK;
}

bool ogv_cli_folder(const char *path) {
  struct stat st;
  return stat(path, &st) == 0 && S_ISDIR(st.st_mode);
}

int ogv_cli_several_run(const ogv_cli_several *how, char *const *files, size_t n) {
  work w = {.how = how, .several = n > 1 || ogv_cli_folder(files[0])};
  ogv_error err = {0};
  ogv_status s = OGV_OK;
  if (w.several && how->json) w.all = json_array();
  for (size_t i = 0; i < n && s == OGV_OK; i++) {
    if (ogv_cli_folder(files[i])) s = ogv_folder_walk(files[i], visit, &w, &err);
    else if (w.several) visit(&w, files[i], &err);
    else s = read_one(&w, files[i], &err);
  }
  if (s != OGV_OK) {
    json_decref(w.all);
    return ogv_cli_fail(how->called, &err, how->json);
  }
  int printed = 0;
  if (w.all) printed = ogv_cli_print_json(w.all);
  else if (w.several) printf("%d read, %d refused, %d not readable\n", w.read, w.refused, w.failed);
  if (printed) return printed;
  return w.read && w.read == w.refused ? 1 : !w.read ? 3 : 0;
}

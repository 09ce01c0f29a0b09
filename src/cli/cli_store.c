#include "cli_store.h"

#include <pwd.h>
#include <stdlib.h>
#include <unistd.h>

#include "obstetrics_dating.h"

ogv_status ogv_cli_open_store(ogv_store **out, ogv_error *err) {
  char home[4096];
  *out = NULL;
  OGV_TRY(ogv_store_default_home(home, sizeof home, err));
  return ogv_store_open(home, out, err);
}

ogv_status ogv_cli_open_store_reading(ogv_store **out, ogv_error *err) {
  char home[4096];
  *out = NULL;
  OGV_TRY(ogv_store_default_home(home, sizeof home, err));
  return ogv_store_open_reading(home, out, err);
}

const char *ogv_cli_who(const char *given) {
  if (given && *given) return given;
  const char *user = getenv("OGIVE_USER");
  if (user && *user) return user;
  const struct passwd *p = getpwuid(getuid());
  return p && p->pw_name && *p->pw_name ? p->pw_name : "unnamed user";
}

const char *ogv_cli_age(const char *edd, const char *date, char buf[OGV_GA_TEXT]) {
  ogv_date e, d;
  buf[0] = 0;
  if (ogv_date_parse(edd, &e, NULL) == OGV_OK && ogv_date_parse(date, &d, NULL) == OGV_OK)
    ogv_ga_text(ogv_ga_on(e, d), buf);
  return buf;
}

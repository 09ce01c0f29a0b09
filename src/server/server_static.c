/* The browser page and its files, held in the program; what the program is. */
#include <stdio.h>
#include <string.h>

#include "core_file.h"
#include "core_resource.h"
#include "server_internal.h"

static ogv_status serve(ogv_request *q, ogv_reply *r, const char *path, const char *type, ogv_error *err) {
  (void)q;
  ogv_resource res;
  OGV_TRY(ogv_resource_get(path, &res, err));
  char hash[OGV_SHA256_TEXT];
  ogv_sha256(res.data, res.size, hash);
  hash[32] = 0;
  snprintf(r->etag, sizeof r->etag, "%s", hash);
  r->type = type;
  r->data = (void *)res.data; /* lives as long as the program */
  r->size = res.size;
  r->keep = true;
  r->cache = "no-cache"; /* kept, but asked for again each time: a new program brings a new page at once */
  return OGV_OK;
}

OGV_HANDLER(page) { return serve(q, r, "web/index.html", "text/html; charset=utf-8", err); }

OGV_HANDLER(web) {
  static const struct {
    const char *ending, *type;
  } types[] = {{".js", "text/javascript; charset=utf-8"},
               {".css", "text/css; charset=utf-8"},
               {".svg", "image/svg+xml"},
               {".png", "image/png"},
               {".woff2", "font/woff2"},
               {".html", "text/html; charset=utf-8"}};
  char path[16 + OGV_ARG_TEXT];
  snprintf(path, sizeof path, "web/%s", q->arg[0]);
  size_t n = strlen(path);
  for (size_t i = 0; i < sizeof types / sizeof *types; i++) {
    size_t k = strlen(types[i].ending);
    if (n > k && !strcmp(path + n - k, types[i].ending)) return serve(q, r, path, types[i].type, err);
  }
  return ogv_fail(err, OGV_E_NOT_FOUND, NULL, "there is no %s", q->path);
}

OGV_HANDLER(about) {
  (void)q;
  return ogv_reply_json(
      r,
      json_pack("{s:s,s:s,s:s}", "program", "ogive", "version", OGV_VERSION, "caution",
                "Ogive supports the judgement of qualified staff; local protocol and licensed practice "
                "decide. Not a certified medical device."),
      err);
}

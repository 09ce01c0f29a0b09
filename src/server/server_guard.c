/* Who may talk to the server. It answers only requests addressed to its own name, so that a foreign page cannot reach
 * it by pointing a name at this machine (DNS rebinding), and takes writes only from its own pages. */
#include <stdio.h>
#include <string.h>
#include <strings.h>

#include "server_internal.h"

bool ogv_guard_split(const char *text, char *host, size_t size, unsigned *port) {
  const char *end = text[0] == '[' ? strchr(text, ']') : NULL;
  const char *colon;
  if (text[0] == '[') {
    if (!end) return false;
    end++;
    colon = *end == ':' ? end : NULL;
    if (*end && !colon) return false;
  } else {
    colon = strchr(text, ':');
    end = colon ? colon : text + strlen(text);
  }
  size_t n = (size_t)(end - text);
  if (n == 0 || n >= size) return false;
  memcpy(host, text, n);
  host[n] = 0;
  *port = 0;
  if (!colon) return true;
  char rest;
  return sscanf(colon + 1, "%5u%c", port, &rest) == 1 && *port <= 65535;
}

/* The name that people use when a proxy with TLS stands before the server. */
static bool is_public_name(const ogv_server *s, const char *text) {
  char host[128];
  unsigned port;
  return *s->public_host && ogv_guard_split(text, host, sizeof host, &port) && (port ? port : 443) == s->public_port &&
         !strcasecmp(host, s->public_host);
}

static bool is_own_name(const ogv_server *s, const char *text) {
  char host[128];
  unsigned port, standard_port = s->tls ? 443 : 80;
  if (!ogv_guard_split(text, host, sizeof host, &port)) return false;
  if ((port ? port : standard_port) != s->port) return false;
  static const char *const loopback[] = {"127.0.0.1", "localhost", "[::1]"};
  for (size_t i = 0; i < sizeof loopback / sizeof *loopback; i++)
    if (!strcasecmp(host, loopback[i])) return true;
  if (!strcmp(s->address, "0.0.0.0")) { /* every interface: any plain address, but never a name */
    unsigned a, b, c, d;
    char rest;
    return sscanf(host, "%3u.%3u.%3u.%3u%c", &a, &b, &c, &d, &rest) == 4;
  }
  return !strcasecmp(host, s->address);
}

ogv_status ogv_guard_check(const ogv_server *s, const char *method, const char *host, const char *origin,
                           const char *fetch_site, ogv_error *err) {
  if (!host || (!is_own_name(s, host) && !is_public_name(s, host)))
    return ogv_fail(err, OGV_E_DENIED, "Open the address that `ogive serve` printed.",
                    "the request is addressed to \"%.80s\", which is not this server's name", host ? host : "nobody");
  if (origin) {
    const char *scheme = s->tls ? "https://" : "http://";
    bool own = !strncmp(origin, scheme, strlen(scheme)) && is_own_name(s, origin + strlen(scheme));
    if (!own && !(!strncmp(origin, "https://", 8) && is_public_name(s, origin + 8)))
      return ogv_fail(err, OGV_E_DENIED, "Work from Ogive's own page.",
                      "the request comes from a page of \"%.80s\", not from Ogive's own", origin);
  }
  bool reads = !strcmp(method, "GET") || !strcmp(method, "HEAD");
  if (fetch_site && strcmp(fetch_site, "same-origin") && !(reads && !strcmp(fetch_site, "none")))
    return ogv_fail(err, OGV_E_DENIED, "Work from Ogive's own page.", "the browser says the request is \"%.30s\"",
                    fetch_site);
  return OGV_OK;
}

void ogv_guard_headers(struct MHD_Response *r, const char *type) {
  MHD_add_response_header(r, "X-Content-Type-Options", "nosniff");
  MHD_add_response_header(r, "Referrer-Policy", "no-referrer");
  MHD_add_response_header(r, "Cross-Origin-Resource-Policy", "same-origin");
  MHD_add_response_header(r, "Cross-Origin-Opener-Policy", "same-origin");
  if (type && !strncmp(type, "text/html", 9))
    MHD_add_response_header(r, "Content-Security-Policy",
                            "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
                            "connect-src 'self'; font-src 'self'; worker-src 'self'; base-uri 'none'; "
                            "form-action 'none'; frame-ancestors 'none'");
  else if (type && !strcmp(type, "image/svg+xml"))
    MHD_add_response_header(r, "Content-Security-Policy",
                            "default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:; sandbox");
  else MHD_add_response_header(r, "Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'");
}

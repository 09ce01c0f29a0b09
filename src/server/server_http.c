/* Starting and stopping the server; taking requests in. */
#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <sodium.h>

#include "core_file.h"
#include "core_json.h"
#include "core_text.h"
#include "server_internal.h"
#include "server_jobs.h"
#include "server_propose.h"

#define THREADS 6

/* Percent decoding of the person's name, which may hold any UTF-8 and travels in a header. */
static bool decode_name(const char *text, char *out, size_t size) {
  size_t n = 0;
  for (const char *p = text; *p; p++) {
    char c = *p;
    if (c == '%') {
      unsigned v;
      if (sscanf(p + 1, "%2x", &v) != 1 || !p[1] || !p[2]) return false;
      c = (char)v;
      p += 2;
    }
    if (n + 1 >= size || (unsigned char)c < 0x20 || c == 0x7f) return false;
    out[n++] = c;
  }
  out[n] = 0;
  return ogv_utf8_valid(out, n);
}

static ogv_status begin(ogv_request *q, ogv_error *err) {
  struct MHD_Connection *c = q->connection;
  const char *host = MHD_lookup_connection_value(c, MHD_HEADER_KIND, "Host");
  const char *origin = MHD_lookup_connection_value(c, MHD_HEADER_KIND, "Origin");
  const char *site = MHD_lookup_connection_value(c, MHD_HEADER_KIND, "Sec-Fetch-Site");
  OGV_TRY(ogv_guard_check(q->server, q->method, host, origin, site, err));
  bool other;
  q->route = ogv_route_find(q->method, q->path, q->arg, &other);
  if (!q->route && other) return ogv_fail(err, OGV_E_INVALID, NULL, "%s is not possible on %.200s", q->method, q->path);
  if (!q->route)
    return ogv_fail(err, OGV_E_NOT_FOUND, "docs/server.md lists what there is.", "there is no %.200s", q->path);
  const char *who = MHD_lookup_connection_value(c, MHD_HEADER_KIND, "X-Ogive-Who");
  if (who && !decode_name(who, q->who, sizeof q->who))
    return ogv_fail(err, OGV_E_INVALID, NULL, "the name in X-Ogive-Who is not readable text");
  if (q->route->needs_name && q->server->read_only)
    return ogv_fail(err, OGV_E_DENIED, "Work in the record that it was copied from.",
                    "this record is read-only: nothing can be added to it");
  OGV_TRY(ogv_access_check(q, err));
  if (q->route->needs_name && !*q->who)
    return ogv_fail(err, OGV_E_DENIED, "Enter your name on the page; it is kept with each row.",
                    "every change in the record names its author, and no name was given");
  const char *length = MHD_lookup_connection_value(c, MHD_HEADER_KIND, "Content-Length");
  unsigned long long n = length ? strtoull(length, NULL, 10) : 0;
  if (n > (q->route->upload ? OGV_UPLOAD_LIMIT : OGV_BODY_LIMIT))
    return ogv_fail(err, OGV_E_RANGE, "Send less at once.", "the request of %llu bytes is too large", n);
  if (q->route->upload) {
    char folder[400];
    snprintf(folder, sizeof folder, "%.380s/incoming", q->server->home);
    OGV_TRY(ogv_folder_make(folder, err));
    snprintf(q->upload_path, sizeof q->upload_path, "%s/upload-XXXXXX", folder);
    q->upload = mkstemp(q->upload_path);
    if (q->upload < 0) {
      *q->upload_path = 0;
      return ogv_fail(err, OGV_E_IO, "Check the disk.", "%s cannot be written: %s", folder, strerror(errno));
    }
  } else if (n && strcmp(q->method, "GET") && strcmp(q->method, "HEAD")) {
    const char *type = MHD_lookup_connection_value(c, MHD_HEADER_KIND, "Content-Type");
    if (!type || strncmp(type, "application/json", 16))
      return ogv_fail(err, OGV_E_UNSUPPORTED, "Send application/json.", "the body is \"%.60s\"",
                      type ? type : "untyped");
  }
  return OGV_OK;
}

/* Takes one piece of the body; trouble is kept and told once the body has passed. */
static void take(ogv_request *q, const char *data, size_t n) {
  if (q->failed) return;
  if (q->upload >= 0) {
    q->upload_size += n;
    if (q->upload_size > OGV_UPLOAD_LIMIT) {
      ogv_fail(&q->error, OGV_E_RANGE, NULL, "the file is too large");
      q->failed = true;
      return;
    }
    while (n) {
      ssize_t k = write(q->upload, data, n);
      if (k < 0 && errno == EINTR) continue;
      if (k < 0) {
        ogv_fail(&q->error, OGV_E_IO, "Free some space and send the file again; nothing of it was stored.",
                 "the file cannot be written: %s", strerror(errno));
        q->failed = true;
        return;
      }
      data += k;
      n -= (size_t)k;
    }
    return;
  }
  if (q->body_size + n > OGV_BODY_LIMIT) {
    ogv_fail(&q->error, OGV_E_RANGE, "Send less at once.", "the request is too large");
    q->failed = true;
    return;
  }
  if (q->body_size + n + 1 > q->body_capacity) {
    size_t capacity = (q->body_size + n + 1) * 2;
    uint8_t *p = realloc(q->body, capacity);
    if (!p) {
      ogv_fail(&q->error, OGV_E_MEMORY, NULL, "out of memory");
      q->failed = true;
      return;
    }
    q->body = p;
    q->body_capacity = capacity;
  }
  memcpy(q->body + q->body_size, data, n);
  q->body_size += n;
  q->body[q->body_size] = 0;
}

static enum MHD_Result on_request(void *user, struct MHD_Connection *c, const char *url, const char *method,
                                  const char *version, const char *data, size_t *size, void **state) {
  (void)version;
  ogv_error err = {0};
  ogv_request *q = *state;
  if (!q) {
    q = calloc(1, sizeof *q);
    if (!q) return MHD_NO;
    *state = q;
    q->server = user;
    q->connection = c;
    q->upload = -1;
    snprintf(q->method, sizeof q->method, "%.7s", method);
    if (strlen(url) >= sizeof q->path) {
      ogv_fail(&err, OGV_E_INVALID, NULL, "the address is too long");
      return ogv_reply_fail(q, &err);
    }
    snprintf(q->path, sizeof q->path, "%s", url);
    if (begin(q, &err) != OGV_OK) return ogv_reply_fail(q, &err);
    return MHD_YES;
  }
  if (*size) {
    take(q, data, *size);
    *size = 0;
    return MHD_YES;
  }
  if (q->failed) return ogv_reply_fail(q, &q->error);
  ogv_reply r = {0};
  if (q->route->run(q, &r, &err) != OGV_OK) {
    if (!r.keep) free(r.data);
    return ogv_reply_fail(q, &err);
  }
  return ogv_reply_send(q, &r);
}

static void on_end(void *user, struct MHD_Connection *c, void **state, enum MHD_RequestTerminationCode why) {
  (void)user, (void)c, (void)why;
  ogv_request_release(*state);
  *state = NULL;
}

static void release(ogv_server *s) {
  ogv_jobs_free(s->jobs); /* first: what runs uses all the rest */
  for (size_t i = 0; i < s->n_idle; i++) ogv_store_close(s->idle[i]);
  ogv_handles_free(s->handles);
  json_decref(s->receipts);
  ogv_cache_free(s->cache);
  ogv_second_free(s->second);
  ogv_hub_free(s->hub);
  pthread_mutex_destroy(&s->lock);
  pthread_mutex_destroy(&s->write_lock);
  free(s->home);
  free(s);
}

/* The DICOM library reads its dictionary at its first picture, which takes longer than the picture. One preview at the
 * start, so that nobody waits for it. */
static void warm_up(ogv_server *s) {
  json_t *filter = json_pack("{s:i}", "limit", 1), *exams = NULL, *exam = NULL, *object;
  size_t i;
  if (ogv_store_exams(s->idle[0], filter, &exams, NULL) == OGV_OK &&
      ogv_store_exam(s->idle[0], ogv_json_string_or(json_array_get(exams, 0), "id", ""), &exam, NULL) == OGV_OK) {
    json_array_foreach(json_object_get(exam, "objects"), i, object) {
      char *path = NULL;
      ogv_dicom *d = NULL;
      ogv_image img = {0};
      if (ogv_store_object_path(s->idle[0], ogv_json_string_or(object, "id", ""), &path, NULL) == OGV_OK &&
          ogv_dicom_open(path, &d, NULL) == OGV_OK && ogv_dicom_frame(d, 0, &img, NULL) == OGV_OK)
        i = json_array_size(json_object_get(exam, "objects")); /* one is enough */
      ogv_image_free(&img);
      ogv_dicom_close(d);
      free(path);
    }
  }
  json_decref(exam);
  json_decref(exams);
  json_decref(filter);
}

/* "https://name:port" as given, told apart; a path is not possible, the page lives at the root. */
static ogv_status take_public(ogv_server *s, const char *text, ogv_error *err) {
  if (!text) return OGV_OK;
  char name[160];
  bool ok = !strncmp(text, "https://", 8) && strlen(text) < sizeof name;
  if (ok) {
    snprintf(name, sizeof name, "%s", text + 8);
    size_t n = strlen(name);
    if (n && name[n - 1] == '/') name[n - 1] = 0;
    ok = !strpbrk(name, "/?#@ ") && ogv_guard_split(name, s->public_host, sizeof s->public_host, &s->public_port);
  }
  if (!s->public_port) s->public_port = 443;
  return ok ? OGV_OK
            : ogv_fail(err, OGV_E_INVALID, "Write it as https://ogive.example.org, without a path.",
                       "\"%.80s\" is not an address over TLS", text);
}

static ogv_status take_pem(const char *path, char **out, ogv_error *err) {
  uint8_t *data = NULL;
  size_t size = 0;
  *out = NULL;
  if (!path) return OGV_OK;
  OGV_TRY(ogv_file_read(path, 1u << 20, &data, &size, err));
  char *text = realloc(data, size + 1);
  if (!text) {
    free(data);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  }
  text[size] = 0;
  *out = text;
  if (strstr(text, "-----BEGIN ")) return OGV_OK;
  free(text);
  *out = NULL;
  return ogv_fail(err, OGV_E_INVALID, "Give PEM files.", "%.200s holds no PEM text", path);
}

/* Certificate and key are read before the port is opened; both or neither. */
static ogv_status take_tls(ogv_server *s, const ogv_server_options *o, char **certificate, char **key, ogv_error *err) {
  if (!o->certificate != !o->key)
    return ogv_fail(err, OGV_E_INVALID, "Give --certificate and --key.", "of certificate and key one is missing");
  OGV_TRY(take_pem(o->certificate, certificate, err));
  OGV_TRY(take_pem(o->key, key, err));
  s->tls = *certificate != NULL;
  if (s->tls && MHD_is_feature_supported(MHD_FEATURE_TLS) != MHD_YES)
    return ogv_fail(err, OGV_E_UNSUPPORTED, "Put a proxy with TLS before it and give --public.",
                    "the HTTP library of this machine was built without TLS");
  return OGV_OK;
}

ogv_status ogv_server_start(const ogv_server_options *o, ogv_server **out, ogv_error *err) {
  const char *address = o->address && *o->address ? o->address : "127.0.0.1";
  struct sockaddr_in where = {.sin_family = AF_INET, .sin_port = htons(o->port)};
  if (inet_pton(AF_INET, address, &where.sin_addr) != 1)
    return ogv_fail(err, OGV_E_INVALID, "Give a numeric address such as 127.0.0.1.", "\"%.60s\" is not an IPv4 address",
                    address);
  ogv_store *probe;
  OGV_TRY(ogv_store_open_reading(o->home, &probe, err));
  ogv_server *s = calloc(1, sizeof *s);
  if (!s) {
    ogv_store_close(probe);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  }
  pthread_mutex_init(&s->lock, NULL);
  pthread_mutex_init(&s->write_lock, NULL);
  ogv_store_count_changes(probe, &s->own_changes);
  s->idle[s->n_idle++] = probe;
  s->read_only = ogv_store_read_only(probe);
  s->home = strdup(ogv_store_home(probe));
  snprintf(s->address, sizeof s->address, "%s", address);
  s->port = o->port;
  if (s->home) ogv_import_begin(s, probe);
  s->hub = s->home ? ogv_hub_new(s->home, &s->own_changes) : NULL;
  s->cache = ogv_cache_new(48u << 20);
  s->handles = ogv_handles_new();
  s->second = ogv_second_new();
  s->jobs = ogv_jobs_new();
  if (!s->home || !s->hub || !s->cache || !s->handles || !s->second || !s->jobs) {
    release(s);
    return ogv_fail(err, OGV_E_MEMORY, NULL, "out of memory");
  }
  char *certificate = NULL, *key = NULL;
  ogv_status st = take_public(s, o->public_address, err);
  if (st == OGV_OK) st = take_tls(s, o, &certificate, &key, err);
  if (st != OGV_OK) {
    free(certificate);
    release(s);
    return st;
  }
  warm_up(s);
  struct MHD_OptionItem tls[] = {
      {MHD_OPTION_HTTPS_MEM_CERT, 0, certificate}, {MHD_OPTION_HTTPS_MEM_KEY, 0, key}, {MHD_OPTION_END, 0, NULL}};
  unsigned flags = MHD_USE_EPOLL_INTERNAL_THREAD | MHD_ALLOW_SUSPEND_RESUME | (s->tls ? MHD_USE_TLS : 0u);
  s->daemon = MHD_start_daemon(flags, o->port, NULL, NULL, on_request, s, MHD_OPTION_SOCK_ADDR, &where,
                               MHD_OPTION_THREAD_POOL_SIZE, THREADS, MHD_OPTION_NOTIFY_COMPLETED, on_end, s,
                               MHD_OPTION_CONNECTION_TIMEOUT, 120u, MHD_OPTION_CONNECTION_LIMIT, 240u,
                               MHD_OPTION_CONNECTION_MEMORY_LIMIT, (size_t)65536, MHD_OPTION_LISTENING_ADDRESS_REUSE,
                               1u, MHD_OPTION_ARRAY, s->tls ? tls : tls + 2, MHD_OPTION_END);
  int e = errno;
  free(certificate); /* the library has read them */
  if (key) sodium_memzero(key, strlen(key));
  free(key);
  if (!s->daemon) {
    bool tls_failed = s->tls && e != EADDRINUSE && e != EACCES && e != EADDRNOTAVAIL;
    release(s);
    if (tls_failed)
      return ogv_fail(err, OGV_E_INVALID, "Check that the key belongs to the certificate.",
                      "TLS cannot start with this certificate and key");
    return ogv_fail(err, OGV_E_IO, "Choose another with --port, or end the program that uses it.",
                    "port %u of %s cannot be opened: %s", (unsigned)o->port, address, strerror(e));
  }
  const union MHD_DaemonInfo *info = MHD_get_daemon_info(s->daemon, MHD_DAEMON_INFO_BIND_PORT);
  if (info && info->port) s->port = info->port;
  *out = s;
  return OGV_OK;
}

bool ogv_server_read_only(const ogv_server *s) { return s->read_only; }

uint16_t ogv_server_port(const ogv_server *s) { return s->port; }

void ogv_server_stop(ogv_server *s) {
  if (!s) return;
  ogv_hub_stop(s->hub);
  MHD_stop_daemon(s->daemon);
  release(s);
}

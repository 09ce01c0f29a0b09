/* What the files of the server share: one request, one reply, the table of routes, the pool of stores, the live events.
 */
#ifndef SERVER_INTERNAL_H
#define SERVER_INTERNAL_H

#include <jansson.h>
#include <microhttpd.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core_status.h"
#include "dicom_file.h"
#include "record_store.h"
#include "server_http.h"

#define OGV_BODY_LIMIT (1u << 20)                    /* JSON bodies */
#define OGV_UPLOAD_LIMIT (2ull * 1024 * 1024 * 1024) /* one uploaded file */
#define OGV_LOCK_LONGEST 240                         /* minutes */
#define OGV_ARGS 3
#define OGV_ARG_TEXT 80

typedef struct ogv_hub ogv_hub;
typedef struct ogv_cache ogv_cache;
typedef struct ogv_handles ogv_handles;
typedef struct ogv_second ogv_second;
typedef struct ogv_jobs ogv_jobs;

/* Log-in attempts that failed: one entry for each user and each address. */
#define OGV_ATTEMPTS 256
typedef struct ogv_attempt {
  char key[72];
  int failures;
  int64_t until; /* seconds since 1970; no attempt is looked at before */
} ogv_attempt;

/* Who may do what. Without people in the record one person works without log-in and may do everything. */
typedef enum {
  OGV_NEED_PERSON, /* anybody who is logged in; a route that writes needs OGV_NEED_WORK */
  OGV_NEED_NOBODY, /* open: the page itself, logging in */
  OGV_NEED_WORK,   /* sonographer, reporter, lead */
  OGV_NEED_SIGN,   /* the roles of the setting "sign.roles" */
  OGV_NEED_LEAD,   /* lead, administrator: protocols and set-up */
  OGV_NEED_PEOPLE  /* administrator */
} ogv_need;

struct ogv_server {
  struct MHD_Daemon *daemon;
  char *home;
  char address[64];
  uint16_t port;
  bool tls;              /* speaks TLS itself */
  char public_host[128]; /* the name behind which a proxy with TLS stands; "" when there is none */
  unsigned public_port;  /* of that name */
  pthread_mutex_t lock;  /* guards the list of idle stores */
  ogv_store *idle[16];
  size_t n_idle;
  atomic_llong own_changes;   /* rows of the change feed that this program has added: the others are other programs' */
  pthread_mutex_t write_lock; /* one writer at a time inside this program: checks and appends stay together */
  bool read_only;             /* the record is on a read-only medium: routes that write are refused */
  bool people; /* somebody is in the record, so log-in is asked for; never false again (guarded by lock) */
  ogv_attempt attempts[OGV_ATTEMPTS]; /* guarded by lock */
  ogv_hub *hub;
  json_t *receipts;     /* guarded by lock: what was dropped lately, newest first; server_import.c */
  ogv_cache *cache;     /* small finished pictures: thumbs, encoded frames */
  ogv_handles *handles; /* opened DICOM files kept for the next frame */
  ogv_second *second;   /* the second reader, opened when first needed */
  ogv_jobs *jobs;       /* work that takes longer than an answer may */
};

struct ogv_route;
typedef struct ogv_request {
  ogv_server *server;
  struct MHD_Connection *connection;
  const struct ogv_route *route;
  char method[8];
  char path[512];
  char arg[OGV_ARGS][OGV_ARG_TEXT]; /* what the stars of the route matched */
  char who[128];                    /* name of the person, UTF-8; "" when not said; with log-in the user name */
  char name[128], role[24];         /* with log-in: full name and role; else "" */
  bool single;                      /* nobody has to log in */
  unsigned status;                  /* of a failure, when not the one of its code */
  uint8_t *body;                    /* JSON bodies, NUL-terminated; NULL when none */
  size_t body_size, body_capacity;
  int upload; /* file descriptor of an upload, -1 when none */
  char upload_path[512];
  uint64_t upload_size;
  bool failed; /* the body could not be taken: `error` says why */
  ogv_error error;
  ogv_store *store; /* taken from the pool on first use */
} ogv_request;

typedef struct ogv_reply {
  unsigned status;  /* 200 unless set */
  const char *type; /* static text */
  void *data;       /* malloc'ed, released after sending; or borrowed when `keep` */
  size_t size;
  bool keep;
  char etag[96];               /* without quotes; "" when none */
  const char *cache;           /* Cache-Control; NULL: no-store */
  char cookie[192];            /* Set-Cookie; "" when none */
  char file_name[128];         /* Content-Disposition: inline; filename=...; "" when none */
  struct MHD_Response *stream; /* instead of data: a response made by the handler */
} ogv_reply;

typedef ogv_status (*ogv_handler)(ogv_request *q, ogv_reply *r, ogv_error *err);
typedef struct ogv_route {
  const char *method;
  const char *pattern; /* segments; "*" takes one segment into q->arg, "**" the rest */
  ogv_handler run;
  bool needs_name; /* writing: the person must be named */
  bool upload;     /* the body is a file */
  ogv_need need;
} ogv_route;

/* server_route.c */
const ogv_route *ogv_route_find(const char *method, const char *path, char arg[OGV_ARGS][OGV_ARG_TEXT],
                                bool *other_method);

/* server_guard.c: Host and Origin of a request (see docs/server.md, Safety). */
ogv_status ogv_guard_check(const ogv_server *s, const char *method, const char *host, const char *origin,
                           const char *fetch_site, ogv_error *err);
/* Splits "host:port" or "[v6]:port"; port 0 when absent. False when it cannot be understood. */
bool ogv_guard_split(const char *text, char *host, size_t size, unsigned *port);
/* Cookies are Secure: people come over TLS, whoever adds it. */
static inline bool ogv_server_secure(const ogv_server *s) { return s->tls || *s->public_host; }
void ogv_guard_headers(struct MHD_Response *r, const char *type);

/* server_session.c: who asks, and may they. Fills who, name, role, single; q->status is 401 when a log-in is missing.
 */
ogv_status ogv_access_check(ogv_request *q, ogv_error *err);
bool ogv_may(ogv_request *q, ogv_need need);

/* server_report.c */
ogv_status ogv_report_picture(void *request, const char *object_id, int frame, ogv_image *out, ogv_error *err);
/* server_difference.c: what changed from the facts of one report to those of another: [{"what","before","after"}]. */
json_t *ogv_report_difference(const json_t *before, const json_t *after);

/* server_reply.c */
unsigned ogv_reply_status(ogv_status s);
enum MHD_Result ogv_reply_send(ogv_request *q, ogv_reply *r);
enum MHD_Result ogv_reply_fail(ogv_request *q, const ogv_error *err);
ogv_status ogv_reply_json(ogv_reply *r, json_t *v, ogv_error *err); /* takes the reference */
/* Query parameter or NULL; whole number within [low,high], `otherwise` when absent. */
const char *ogv_query(const ogv_request *q, const char *name);
ogv_status ogv_query_int(const ogv_request *q, const char *name, int low, int high, int otherwise, int *out,
                         ogv_error *err);
ogv_status ogv_request_json(const ogv_request *q, json_t **out, ogv_error *err); /* body as an object */
ogv_status ogv_request_store(ogv_request *q, ogv_error *err);                    /* fills q->store */
void ogv_request_release(ogv_request *q);

/* server_hub.c: live events, sent to every open page. */
/* own: rows of the change feed that this program has added; borrowed. Start it before anything is written. NULL when
 * memory is out or the record cannot be read. */
ogv_hub *ogv_hub_new(const char *home, const atomic_llong *own);
void ogv_hub_stop(ogv_hub *h); /* wakes all streams so that the daemon can end; call before MHD_stop_daemon */
void ogv_hub_free(ogv_hub *h);
void ogv_hub_publish(ogv_hub *h, const char *event, json_t *data); /* takes the reference */

/* server_cache.c: bytes by key, least recently used out first; a copy is handed out. */
ogv_cache *ogv_cache_new(size_t maximum);
void ogv_cache_free(ogv_cache *c);
bool ogv_cache_get(ogv_cache *c, const char *key, uint8_t **data, size_t *size);
void ogv_cache_put(ogv_cache *c, const char *key, const uint8_t *data, size_t size);
/* Opened DICOM files: one is used by one request at a time and kept for the next. */
ogv_handles *ogv_handles_new(void);
void ogv_handles_free(ogv_handles *h);
ogv_status ogv_handles_take(ogv_handles *h, ogv_request *q, const char *object_id, ogv_dicom **out, ogv_error *err);
void ogv_handles_give(ogv_handles *h, const char *object_id, ogv_dicom *d);

/* server_picture.c: lossless PNG, JPEG at a quality, scaling down by averaging. Results are malloc'ed. */
ogv_status ogv_picture_png(const ogv_image *img, uint8_t **data, size_t *size, ogv_error *err);
ogv_status ogv_picture_jpeg(const ogv_image *img, int quality, uint8_t **data, size_t *size, ogv_error *err);
ogv_status ogv_picture_shrink(const ogv_image *img, int max_width, int max_height, ogv_image *out, ogv_error *err);

/* server_filter.c: a frame with display filters; `filters` is JSON text or the id of a saved preset. r->etag and
 * r->cache are set by the caller for the stored frame and extended here. */
ogv_status ogv_look_frame(ogv_request *q, ogv_reply *r, const char *id, int frame, const char *filters, ogv_error *err);
/* server_look.c: filters of the preset of this id (new reference); OGV_E_NOT_FOUND. */
ogv_status ogv_look_find(ogv_request *q, const char *id, json_t **filters, ogv_error *err);
/* server_filter.c: how a reading was taken, with "looks" (the filters that were on while it was placed) checked and
 * written out in full, and "window" (of the screen). *out is a new reference. */
ogv_status ogv_look_evidence(const json_t *how, json_t **out, ogv_error *err);

/* server_import.c: removes what an ended server left behind in home/incoming, says so in a receipt, and fills
 * s->receipts from the record. */
void ogv_import_begin(ogv_server *s, ogv_store *store);

/* Handlers. */
#define OGV_HANDLER(name) ogv_status ogv_handle_##name(ogv_request *q, ogv_reply *r, ogv_error *err)
OGV_HANDLER(page);
OGV_HANDLER(web);
OGV_HANDLER(about);
OGV_HANDLER(exams);
OGV_HANDLER(exam);
OGV_HANDLER(chart);
OGV_HANDLER(charts);
OGV_HANDLER(report);
OGV_HANDLER(quantities);
OGV_HANDLER(object);
OGV_HANDLER(frame);
OGV_HANDLER(thumb);
OGV_HANDLER(covers);
OGV_HANDLER(looks_edges);
OGV_HANDLER(looks);
OGV_HANDLER(looks_save);
OGV_HANDLER(geometry);
OGV_HANDLER(combine);
OGV_HANDLER(calculate_value);
OGV_HANDLER(calculate_weight);
OGV_HANDLER(calculate_dating);
OGV_HANDLER(calculate_artery);
OGV_HANDLER(measure);
OGV_HANDLER(measure_event);
OGV_HANDLER(evidence);
OGV_HANDLER(dating);
OGV_HANDLER(proposals);
OGV_HANDLER(sites);
OGV_HANDLER(clip);
OGV_HANDLER(colour);
OGV_HANDLER(colour_keep);
OGV_HANDLER(planes);
OGV_HANDLER(job);
OGV_HANDLER(job_stop);
OGV_HANDLER(rereads);
OGV_HANDLER(events);
OGV_HANDLER(import_file);
OGV_HANDLER(import_run);
OGV_HANDLER(receipts);
OGV_HANDLER(protocols);
OGV_HANDLER(protocol);
OGV_HANDLER(protocol_save);
OGV_HANDLER(setup);
OGV_HANDLER(setup_save);
OGV_HANDLER(marks);
OGV_HANDLER(marks_save);
OGV_HANDLER(session);
OGV_HANDLER(session_start);
OGV_HANDLER(session_end);
OGV_HANDLER(people);
OGV_HANDLER(people_save);
OGV_HANDLER(password);
OGV_HANDLER(findings_save);
OGV_HANDLER(chorionicity);
OGV_HANDLER(exam_protocol);
OGV_HANDLER(told);
OGV_HANDLER(object_event);
OGV_HANDLER(draft);
OGV_HANDLER(draft_save);
OGV_HANDLER(signing);
OGV_HANDLER(sign);
OGV_HANDLER(second);
OGV_HANDLER(report_row);
OGV_HANDLER(report_file);
OGV_HANDLER(page_draft);
OGV_HANDLER(page_report);
OGV_HANDLER(contact);
OGV_HANDLER(parents);
OGV_HANDLER(printers);
OGV_HANDLER(printers_save);
OGV_HANDLER(print);
OGV_HANDLER(print_look);
OGV_HANDLER(print_page);
OGV_HANDLER(print_state);
OGV_HANDLER(print_cancel);
OGV_HANDLER(figure);
OGV_HANDLER(languages);
OGV_HANDLER(department);
OGV_HANDLER(department_save);

#endif

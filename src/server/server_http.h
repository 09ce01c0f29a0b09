/* The HTTP server of `ogive serve`: JSON API under /api, pictures, charts, and the built-in browser page. */
#ifndef SERVER_HTTP_H
#define SERVER_HTTP_H

#include <stdbool.h>
#include <stdint.h>

#include "core_status.h"

typedef struct ogv_server ogv_server;

typedef struct ogv_server_options {
  const char *home;    /* store folder */
  const char *address; /* default 127.0.0.1 */
  uint16_t port;       /* 0: any free port */
  /* Where people reach it through a proxy that adds TLS, as https://NAME or https://NAME:PORT; NULL when there is none.
   */
  const char *public_address;
  /* Its own TLS: PEM files of the certificate chain and its key; both or neither. */
  const char *certificate, *key;
} ogv_server_options;

ogv_status ogv_server_start(const ogv_server_options *o, ogv_server **out, ogv_error *err);
bool ogv_server_read_only(const ogv_server *s); /* the record is on a read-only medium; nothing can be written */
uint16_t ogv_server_port(const ogv_server *s);
void ogv_server_stop(ogv_server *s); /* waits for requests under way */

#endif

/* `ogive serve`: the browser page and its API, until the program is ended. */
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli_command.h"
#include "record_store.h"
#include "server_http.h"

static int run(int argc, char **argv);

const ogv_command ogv_cmd_serve = {
    "serve", "serve the browser page on this machine",
    "usage: ogive serve [--port N] [--address A] [--certificate FILE --key FILE | --public https://NAME] [--json]\n\n"
    "Serves the browser page and its API from the record, until it is ended (Ctrl-C).\n\n"
    "  --port N      port to listen on; 0 takes any free one (default 8042)\n"
    "  --address A   IPv4 address to listen on (default 127.0.0.1: this machine only)\n"
    "  --certificate FILE, --key FILE\n"
    "                speak TLS: PEM files of the certificate chain and its key\n"
    "  --public URL  the address that people open when a proxy adds TLS, as https://ogive.example.org; requests under\n"
    "                that name are answered, and the log-in cookie is sent over TLS only\n"
    "  --json        print {\"address\":...} instead of a sentence\n\n"
    "Beyond this machine it needs people who log in (ogive user) and TLS: without them the page shows patient data to\n"
    "whoever can reach it. Exit codes: 2 usage, 3 bad address or certificate, 4 no record, 6 port in use.\n\n"
    "example: ogive serve --port 0\n",
    run};

int run(int argc, char **argv) {
  ogv_server_options o = {.address = "127.0.0.1", .port = 8042};
  int json = 0;
  for (int i = 1; i < argc; i++) {
    if (!strcmp(argv[i], "--json")) {
      json = 1;
    } else if (!strcmp(argv[i], "--port") && i + 1 < argc) {
      char *end;
      long n = strtol(argv[++i], &end, 10);
      if (*end || n < 0 || n > 65535) return ogv_cli_usage(&ogv_cmd_serve, "\"%.20s\" is not a port", argv[i]);
      o.port = (uint16_t)n;
    } else if (!strcmp(argv[i], "--address") && i + 1 < argc) {
      o.address = argv[++i];
    } else if (!strcmp(argv[i], "--certificate") && i + 1 < argc) {
      o.certificate = argv[++i];
    } else if (!strcmp(argv[i], "--key") && i + 1 < argc) {
      o.key = argv[++i];
    } else if (!strcmp(argv[i], "--public") && i + 1 < argc) {
      o.public_address = argv[++i];
    } else {
      return ogv_cli_usage(&ogv_cmd_serve, "\"%.40s\" is not understood", argv[i]);
    }
  }
  /* Signals are blocked before any thread starts, so that only this one takes them. */
  sigset_t ends;
  sigemptyset(&ends);
  sigaddset(&ends, SIGINT);
  sigaddset(&ends, SIGTERM);
  pthread_sigmask(SIG_BLOCK, &ends, NULL);
  signal(SIGPIPE, SIG_IGN);

  char home[512];
  ogv_error err = {0};
  ogv_server *server = NULL;
  ogv_status s = ogv_store_default_home(home, sizeof home, &err);
  o.home = home;
  if (s == OGV_OK) s = ogv_server_start(&o, &server, &err);
  if (s != OGV_OK) return ogv_cli_fail("serve", &err, json);
  char address[128];
  snprintf(address, sizeof address, "%s://%.60s:%u/", o.certificate ? "https" : "http", o.address,
           (unsigned)ogv_server_port(server));
  if (json)
    ogv_cli_print_json(json_pack("{s:s,s:i,s:b}", "address", address, "port", (int)ogv_server_port(server), "read_only",
                                 ogv_server_read_only(server)));
  else
    printf("Ogive is open at %s  (Ctrl-C ends it)\n%s", address,
           ogv_server_read_only(server) ? "The record is read-only: it can be looked at, nothing can be added.\n" : "");
  fflush(stdout);
  int got;
  sigwait(&ends, &got);
  ogv_server_stop(server);
  return 0;
}

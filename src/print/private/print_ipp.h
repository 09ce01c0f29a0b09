/* One conversation with a print server or printer. */
#ifndef PRINT_IPP_H
#define PRINT_IPP_H

#include <cups/cups.h>
#include <jansson.h>
#include <stdbool.h>

#include "core_status.h"

typedef struct print_line {
  http_t *http;
  char name[256];      /* as people know it, for messages */
  char uri[1024];      /* printer-uri */
  char resource[1024]; /* the path that requests go to */
} print_line;

/* printer: a queue's name or ipp address; NULL: the print server itself. Close also after a failure. */
ogv_status print_dial(const char *printer, print_line *l, ogv_error *err);
void print_hang_up(print_line *l);

/* A request about this printer, with the name of who asks when it is not NULL. */
ipp_t *print_request(const print_line *l, ipp_op_t operation, const char *who);
/* Sends (and releases) a request, with a document when data is not NULL. *answer is released with ippDelete. */
ogv_status print_exchange(print_line *l, ipp_t *request, const void *data, size_t size, ipp_t **answer, ogv_error *err);

/* First value of an attribute, or what is given otherwise. The text is borrowed from the answer. */
const char *print_text(ipp_t *answer, const char *name, const char *otherwise);
int print_number(ipp_t *answer, const char *name, int otherwise);
bool print_lists(ipp_attribute_t *a, const char *value);

/* Adds the plain words of a "...-state-reasons" attribute to a list, once each; "none" adds nothing. */
void print_reasons(ipp_attribute_t *a, json_t *words);

#endif

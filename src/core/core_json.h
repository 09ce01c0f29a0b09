/* Small helpers over jansson: parsing with a place in the message, required members, one canonical way to print. */
#ifndef CORE_JSON_H
#define CORE_JSON_H

#include <jansson.h>
#include <stddef.h>

#include "core_status.h"

/* Parses UTF-8 JSON; duplicate keys are refused. `name` (file or field) goes into the message with line and column.
 * The caller owns *out (json_decref). */
ogv_status ogv_json_parse(const char *text, size_t n, const char *name, json_t **out, ogv_error *err);
ogv_status ogv_json_load(const char *path, json_t **out, ogv_error *err);

/* Canonical text: sorted keys, no blanks, reals with 17 digits. Same value, same bytes; hashes are taken over this.
 * Caller frees with free(). NULL when out of memory. */
char *ogv_json_canonical(const json_t *v);
/* Readable text, two blanks of indent, keys in insertion order. Caller frees. */
char *ogv_json_pretty(const json_t *v);

/* Required members. The message names `where` and the key. Strings are borrowed from the object. */
ogv_status ogv_json_string(const json_t *obj, const char *where, const char *key, const char **out, ogv_error *err);
ogv_status ogv_json_number(const json_t *obj, const char *where, const char *key, double *out, ogv_error *err);
/* Optional members with a default. */
const char *ogv_json_string_or(const json_t *obj, const char *key, const char *otherwise);
double ogv_json_number_or(const json_t *obj, const char *key, double otherwise);

/* {"code","what","todo"} of an error, as every answer and file of the program carries it; new reference. */
json_t *ogv_error_json(const ogv_error *err);

/* A real, or null when not finite (JSON has no NaN). */
json_t *ogv_json_real(double v);

#endif

/* Prints beside the report: contact sheets of pictures, and the parents' page. */
#ifndef REPORT_PRINTS_H
#define REPORT_PRINTS_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core_status.h"
#include "report_pdf.h"

typedef struct ogv_print_request {
  bool parents; /* the parents' page: chosen pictures, no clinical number, no identifier but the name */
  int columns,
      rows; /* contact sheet, 1..4 by 1..6; parents' page: 1..2 by 1..3; 0, 0: as suits the number of pictures */
  bool landscape;
  bool identity; /* name, identifier and date on each sheet (a contact sheet only); without it only the scanned area of
                  * each picture is printed, since scanners write the name beside it */
  bool marks;    /* calipers over the pictures (a contact sheet only) */
  const json_t *objects;  /* array of object ids in order; NULL: those chosen in the facts; for parents the favourites,
                           * or grey-scale and colour pictures without measurements */
  const char *message;    /* parents' page: a line of the staff's own; may be NULL */
  const json_t *captions; /* parents' page: {object id: plain words}, without numbers; others get words by what was
                           * measured on them; may be NULL */
} ogv_print_request;

/* A PDF without attached facts. Same facts and pictures, same bytes. *pdf is malloc'ed. OGV_E_INVALID for a grid
 * outside the limits, OGV_E_NOT_FOUND when no picture is chosen or an id is not of this exam. */
ogv_status ogv_report_print(const json_t *facts, const ogv_print_request *r, ogv_picture_source pictures, void *user,
                            uint8_t **pdf, size_t *size, ogv_error *err);

/* Page `page` (1 is the first) of the same print as PNG, `width` (100..2400) pixels wide, for the screen. */
ogv_status ogv_report_print_png(const json_t *facts, const ogv_print_request *r, ogv_picture_source pictures,
                                void *user, int page, int width, uint8_t **png, size_t *size, ogv_error *err);
/* What the print holds: {"pages", "columns", "rows", "pictures": [{"object", "caption", "words" (parents' page)}]};
 * where pictures leave the clinic without identity also "covered" (rows of lettering found in the picture and painted
 * over), "marks" (coloured marks of the scanner lie on it and stay), "flow" (colour picture, where coloured lettering
 * is not looked for), "out" (why it is left out, or null). A person has to look before it is printed. */
ogv_status ogv_report_print_look(const json_t *facts, const ogv_print_request *r, ogv_picture_source pictures,
                                 void *user, json_t **out, ogv_error *err);

#endif

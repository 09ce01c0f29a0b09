/* Reading obstetric structured reports (TID 5000 and what scanners make of it) into flat items with their provenance.
 */
#ifndef DICOM_REPORT_H
#define DICOM_REPORT_H

#include "dicom_file.h"

typedef enum { OGV_ITEM_NUMBER, OGV_ITEM_DATE, OGV_ITEM_TEXT, OGV_ITEM_CODE } ogv_item_kind;

typedef struct ogv_report_item {
  ogv_item_kind kind;
  char path[256];      /* place in the tree as node numbers, e.g. "1.4.2.1": the evidence of an imported value */
  char container[128]; /* meaning of the nearest container or section heading */
  char section[128];   /* meaning of the nearest heading that is no biometry group */
  char group[256];     /* path of the biometry group it stands in, "" outside: repeats of one concept, their
                        * mean, and the age and rank that belong to them */
  char code[32], scheme[16], meaning[128]; /* the concept */
  bool has_value; /* numbers may come without a value, or with one that is no number: see text */
  double value;
  char unit[32]; /* UCUM as sent */
  ogv_date date;
  char text[512]; /* TEXT value, meaning of a CODE value, or the digits of a number as sent */
  char value_code[32], value_scheme[16];
  char fetus[32];                  /* the sender's fetus label or number, "" when the report has none */
  char derivation[32];             /* code of (121401,DCM): mean etc., "" when none */
  char selection[32];              /* code of (121404,DCM): chosen */
  char method[128], equation[256]; /* measurement method / equation or table named by the sender */
  char site[64], site_scheme[16], laterality[32], vessel[64]; /* finding site code, the vessel's in a vessel's
                                                               * container; meaning of laterality; vessel meaning */
  char image_instance[OGV_UID]; /* picture it was inferred from, "" when not traceable to pixels */
  int image_frame;              /* 1-based, 0 when not said */
  int graphic;                  /* 0 none, else an ogv_geometry_kind */
  const double *points; /* x,y in pixel-centre coordinates (0.5 subtracted from the stored ones); in the list's block */
  size_t n_points;      /* 0 without a graphic, or with one beyond what a geometry may hold (4096 an outline) */
} ogv_report_item;

/* All items in document order; *items is one block, free with free(). Numbers without a value are kept, has_value
 * false. */
ogv_status ogv_dicom_report_items(ogv_dicom *d, ogv_report_item **items, size_t *count, ogv_error *err);

#endif

/* Plane quality by the published image score: six criteria a plane, one point each.
 * Source: Salomon LJ et al., Ultrasound Obstet Gynecol 2006;27:34-40 (score for head, abdomen and femur planes; the
 * list of criteria is from memory). What needs anatomy that the program does not recognise is left to the person, never
 * guessed. */
#ifndef MEASURE_PLANE_H
#define MEASURE_PLANE_H

#include "measure_auto.h"

/* How many criteria were judged by the program and how many of them are met. */
void ogv_plane_score(const ogv_reading *r, int *judged, int *met, int *all);

#endif

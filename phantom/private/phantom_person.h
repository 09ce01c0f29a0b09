/* Invented people and places. */
#ifndef PHANTOM_PERSON_H
#define PHANTOM_PERSON_H

#include <stdint.h>

#include "core_date.h"

typedef struct ph_person {
  char name[160]; /* DICOM PN */
  char shown[96]; /* as burned in: family, given; Latin letters */
  char id[32];
  char accession[20];
  char performer[96], referring[96], place[96];
  ogv_date birth, lmp;
} ph_person;

void ph_person_of(uint64_t seed, ph_person *p);

#endif

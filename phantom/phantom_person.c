#include "private/phantom_person.h"

#include <stdio.h>
#include <string.h>

#include "private/phantom_math.h"

typedef struct named {
  const char *pn, *shown;
} named;
/* All invented: combinations of common names. */
static const named patients[] = {{"Sörensen^Elif", "Sörensen, Elif"},
                                 {"Müller-Lindqvist^Ådne", "Müller-Lindqvist, Ådne"},
                                 {"Nowak^Żaneta", "Nowak, Zaneta"},
                                 {"Fernández Ibarra^Lucía", "Fernández Ibarra, Lucía"},
                                 {"Okafor^Adaeze", "Okafor, Adaeze"},
                                 {"Yamada^Hanako=山田^花子=やまだ^はなこ", "Yamada, Hanako"},
                                 {"Łukaszewicz^Małgorzata", "Łukaszewicz, Małgorzata"},
                                 {"Çelik^Şirin", "Çelik, Şirin"},
                                 {"O'Rourke^Niamh", "O'Rourke, Niamh"},
                                 {"Papadopoulou^Eleni=^=Παπαδοπούλου^Ελένη", "Papadopoulou, Eleni"},
                                 {"Novotná^Jiřina", "Novotná, Jiřina"},
                                 {"Tavares^Conceição", "Tavares, Conceição"},
                                 {"Haddad^Salma", "Haddad, Salma"},
                                 {"Bergström^Maj-Britt", "Bergström, Maj-Britt"},
                                 {"Nguyen^Thi Lan^Anh", "Nguyen, Thi Lan"},
                                 {"Petrova^Sofia=^=Петрова^София", "Petrova, Sofia"}};
static const char *const staff[] = {"Brandt^Ines", "Kowalska^Joanna", "Ek^Håkan",
                                    "Mensah^Kofi", "Duarte^Inês",     "Rossi^Paola"};
static const char *const doctors[] = {"Aalto^Veikko^^Dr", "Marković^Vesna^^Dr", "Iyer^Kavita^^Dr",
                                      "Lemaître^Benoît^^Dr"};
static const char *const places[] = {"Lakeside Maternity Unit", "Sankt Ansgar Frauenklinik",
                                     "Northgate Women's Hospital", "Clínica Río Verde", "Fjordbyen Ultralyd"};

static ogv_date day_of(int y, int m, int d) {
  ogv_date r = 0;
  ogv_date_from_ymd(y, m, d, &r, NULL);
  return r;
}

void ph_person_of(uint64_t seed, ph_person *p) {
  ph_rng r = ph_rng_of(seed, 41);
  memset(p, 0, sizeof *p);
  const named *n = &patients[ph_pick(&r, (int)(sizeof patients / sizeof *patients))];
  snprintf(p->name, sizeof p->name, "%s", n->pn);
  snprintf(p->shown, sizeof p->shown, "%s", n->shown);
  snprintf(p->id, sizeof p->id, "PH-%06llu", (unsigned long long)(ph_mix(seed ^ 0x1d) % 1000000));
  snprintf(p->performer, sizeof p->performer, "%s", staff[ph_pick(&r, 6)]);
  snprintf(p->referring, sizeof p->referring, "%s", doctors[ph_pick(&r, 4)]);
  snprintf(p->place, sizeof p->place, "%s", places[ph_pick(&r, 5)]);
  int year = 1984 + ph_pick(&r, 20), month = 1 + ph_pick(&r, 12), day = 1 + ph_pick(&r, 28);
  p->birth = day_of(year, month, day);
  p->lmp = day_of(2025, 6, 1) + ph_pick(&r, 220);
  snprintf(p->accession, sizeof p->accession, "A%08llu", (unsigned long long)(ph_mix(seed ^ 0xacc) % 100000000));
}

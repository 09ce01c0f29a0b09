#include "private/phantom_session.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_file.h"

const char *ph_fetus_label(const ph_exam *x, int fetus) {
  static const char *const labels[] = {"A", "B", "C"};
  return x->o->fetuses > 1 && fetus >= 0 ? labels[fetus] : "";
}

/* UIDs under the 2.25 root: a number made from the exam and the thing's name. */
void ph_uid(const ph_exam *x, const char *what, int number, char out[OGV_UID]) {
  uint64_t h = ph_mix(x->seed);
  for (const char *p = what; *p; p++) h = ph_mix(h ^ (uint64_t)(unsigned char)*p);
  h = ph_mix(h ^ (uint64_t)number);
  uint64_t l = ph_mix(h ^ 0x2525) % 1000000000000000ull;
  snprintf(out, OGV_UID, "2.25.%llu%015llu", (unsigned long long)(h >> 4 | 1), (unsigned long long)l);
}

static char *keep(ph_exam *x, const char *s) {
  if (x->n_strings >= (int)(sizeof x->strings / sizeof *x->strings)) return NULL;
  return x->strings[x->n_strings++] = strdup(s);
}

void ph_new_series(ph_exam *x) {
  x->series++;
  x->in_series = 0;
}

void ph_caption_of(const ph_exam *x, const char *view, int fetus, double mi, double tib, ph_caption_text *t) {
  char ga[OGV_GA_TEXT], d[OGV_DATE_TEXT];
  const char *label = ph_fetus_label(x, fetus);
  memset(t, 0, sizeof *t);
  snprintf(t->date, sizeof t->date, "%s  %02d:%02d", ogv_date_text(x->date, d), x->seconds / 3600,
           x->seconds / 60 % 60);
  snprintf(t->age, sizeof t->age, "GA %s", ogv_ga_text(x->o->ga_days, ga));
  snprintf(t->view, sizeof t->view, "%s%s%s", view, *label ? " " : "", label);
  snprintf(t->index, sizeof t->index, "MI %.1f  TIb %.1f", mi, tib);
  t->c = (ph_caption){
      .patient = x->who.shown, .id = x->who.id, .date = t->date, .age = t->age, .place = t->index, .view = t->view};
}

static void fill_about(const ph_exam *x, const ph_object *o, ogv_dicom_info *a) {
  ogv_dicom_info_empty(a);
  const ph_person *p = &x->who;
  snprintf(a->study, sizeof a->study, "%s", x->study);
  snprintf(a->patient_name, sizeof a->patient_name, "%s", p->name);
  snprintf(a->patient_id, sizeof a->patient_id, "%s", p->id);
  a->birth_date = p->birth;
  a->study_date = a->content_date = x->date;
  snprintf(a->study_time, sizeof a->study_time, "%02d0000", x->seconds / 3600);
  snprintf(a->content_time, sizeof a->content_time, "%02d%02d%02d", x->seconds / 3600, x->seconds / 60 % 60,
           x->seconds % 60);
  snprintf(a->accession, sizeof a->accession, "%s", p->accession);
  snprintf(a->study_description, sizeof a->study_description,
           x->o->ga_days < 98 ? "Obstetric ultrasound, first trimester" : "Obstetric ultrasound");
  snprintf(a->series_description, sizeof a->series_description, "%s", o->kind);
  snprintf(a->referring, sizeof a->referring, "%s", p->referring);
  snprintf(a->performer, sizeof a->performer, "%s", p->performer);
  snprintf(a->institution, sizeof a->institution, "%s", p->place);
  snprintf(a->manufacturer, sizeof a->manufacturer, "Ogive");
  snprintf(a->model, sizeof a->model, "Phantom");
  snprintf(a->station, sizeof a->station, "ROOM2");
  snprintf(a->software, sizeof a->software, "phantom 1");
  snprintf(a->image_type, sizeof a->image_type, "%s",
           o->image_type ? o->image_type : "ORIGINAL\\PRIMARY\\OBSTETRICAL\\0001");
  a->lmp = p->lmp;
  a->instance_number = x->instance;
  a->series_number = x->series;
  a->colour_data = o->colour;
  a->burned_in = true;
  a->frame_ms = o->frame_ms;
  a->mechanical_index = o->mi;
  a->thermal_bone = o->tib;
  a->thermal_soft = o->tis;
  a->depth_mm = o->depth_mm > 0 ? o->depth_mm : NAN;
}

static const char *syntax_word(ogv_write_syntax s) {
  static const char *const words[] = {"explicit-le", "implicit-le", "jpeg-baseline", "jpeg-lossless", "rle"};
  return words[s];
}

static json_t *region_json(const ogv_region *r) {
  json_t *o = json_object();
  json_object_set_new(o, "kind", json_string(ogv_region_word(r)));
  json_object_set_new(o, "box", json_pack("[i,i,i,i]", r->x0, r->y0, r->x1, r->y1));
  json_object_set_new(o, "reference", json_pack("[i,i]", r->ref_x, r->ref_y));
  json_object_set_new(o, "delta", json_pack("[f,f]", r->delta_x, r->delta_y));
  json_object_set_new(o, "units", json_pack("[i,i]", r->unit_x, r->unit_y));
  return o;
}

static void add_truth(ph_exam *x, ph_object *obj, const char *file, const ogv_dicom_info *a) {
  json_t *o = json_object();
  json_object_set_new(o, "file", json_string(file));
  json_object_set_new(o, "kind", json_string(obj->kind));
  json_object_set_new(o, "view", json_string(obj->view));
  json_object_set_new(o, "fetus", obj->fetus >= 0 ? json_string(ph_fetus_label(x, obj->fetus)) : json_null());
  json_object_set_new(o, "sop_instance", json_string(a->sop_instance));
  json_object_set_new(o, "syntax", json_string(syntax_word(obj->syntax)));
  if (obj->n_frames) {
    json_object_set_new(o, "columns", json_integer(obj->frames[0].width));
    json_object_set_new(o, "rows", json_integer(obj->frames[0].height));
    json_object_set_new(o, "frames", json_integer(obj->n_frames));
    json_t *regions = json_array();
    for (size_t i = 0; i < obj->n_regions; i++) json_array_append_new(regions, region_json(&obj->regions[i]));
    json_object_set_new(o, "regions", regions);
  }
  if (obj->truth) json_object_set_new(o, "truth", obj->truth);
  obj->truth = NULL;
  json_array_append_new(x->files, o);
}

/* Next place in the tree: folders and names without extension, as exports have them. */
static ogv_status next_path(ph_exam *x, char *relative, size_t n, char *path, size_t m, ogv_error *err) {
  snprintf(relative, n, "DICOM/PA000001/ST000001/SE%06d", x->series);
  snprintf(path, m, "%s/%s", x->folder, relative);
  OGV_TRY(ogv_folder_make(path, err));
  size_t k = strlen(relative);
  snprintf(relative + k, n - k, "/IM%06d", ++x->in_series);
  int w = snprintf(path, m, "%s/%s", x->folder, relative);
  if (w < 0 || (size_t)w >= m)
    return ogv_fail(err, OGV_E_INVALID, "Choose a shorter folder.", "%s: the path is too long", x->folder);
  x->instance++;
  x->seconds += 17 + x->instance % 23;
  return OGV_OK;
}

ogv_status ph_store(ph_exam *x, ph_object *obj, const char **instance, const char **series, ogv_error *err) {
  char relative[96], path[4096];
  ogv_dicom_picture p = {.frames = obj->frames,
                         .n_frames = obj->n_frames,
                         .frame_times_ms = obj->frame_times,
                         .regions = obj->regions,
                         .n_regions = obj->n_regions,
                         .syntax = obj->syntax,
                         .jpeg_quality = obj->quality ? obj->quality : 92};
  ogv_status st = next_path(x, relative, sizeof relative, path, sizeof path, err);
  if (st == OGV_OK) {
    fill_about(x, obj, &p.about);
    ph_uid(x, "instance", x->instance, p.about.sop_instance);
    ph_uid(x, "series", x->series, p.about.series);
    st = ogv_dicom_write_picture(path, &p, err);
  }
  if (st != OGV_OK) {
    json_decref(obj->truth);
    obj->truth = NULL;
    return st;
  }
  add_truth(x, obj, relative, &p.about);
  if (instance) *instance = keep(x, p.about.sop_instance);
  if (series) *series = keep(x, p.about.series);
  return OGV_OK;
}

void ph_measure(ph_exam *x, const char *quantity, double value, const char *unit, int fetus, const char *instance,
                const char *series, const char *derivation, int graphic, const double *points, int n_points) {
  if (x->n_measures == PH_MEASURES) return;
  ogv_dicom_measure *m = &x->measures[x->n_measures++];
  memset(m, 0, sizeof *m);
  m->quantity = quantity;
  m->value = value;
  m->unit = unit;
  m->fetus = ph_fetus_label(x, fetus);
  m->derivation = derivation ? derivation : "";
  m->image_instance = instance ? instance : "";
  m->image_series = series ? series : "";
  m->image_class = "1.2.840.10008.5.1.4.1.1.6.1";
  m->image_frame = 0; /* stills have no frame number */
  m->graphic = graphic;
  for (int i = 0; i < n_points && i < 8; i++) m->points[i] = points[i];
}

ogv_status ph_write_report(ph_exam *x, ogv_error *err) {
  char relative[96], path[4096];
  ph_new_series(x);
  OGV_TRY(next_path(x, relative, sizeof relative, path, sizeof path, err));
  ph_object obj = {.kind = "report", .view = "report", .fetus = -1, .mi = NAN, .tib = NAN, .tis = NAN};
  ogv_dicom_obreport r = {.lmp = x->who.lmp,
                          .edd = x->who.lmp + 280,
                          .fetuses = x->o->fetuses,
                          .items = x->measures,
                          .n_items = (size_t)x->n_measures};
  fill_about(x, &obj, &r.about);
  ph_uid(x, "instance", x->instance, r.about.sop_instance);
  ph_uid(x, "series", x->series, r.about.series);
  OGV_TRY(ogv_dicom_write_obreport(path, &r, err));
  obj.truth = json_object();
  json_t *items = json_array();
  for (int i = 0; i < x->n_measures; i++) {
    const ogv_dicom_measure *m = &x->measures[i];
    json_t *o = json_pack("{s:s,s:f,s:s,s:s,s:s,s:s}", "quantity", m->quantity, "value", m->value, "unit", m->unit,
                          "fetus", m->fetus, "derivation", m->derivation, "sop_instance", m->image_instance);
    json_array_append_new(items, o);
  }
  json_object_set_new(obj.truth, "items", items);
  add_truth(x, &obj, relative, &r.about);
  return OGV_OK;
}

/* The JSON form of a region, as evidence and the browser see it. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "core_json.h"
#include "imaging_region.h"

static json_t *real_pair(bool has_x, double x, bool has_y, double y) {
  json_t *a = json_array();
  json_array_append_new(a, has_x ? ogv_json_real(x) : json_null());
  json_array_append_new(a, has_y ? ogv_json_real(y) : json_null());
  return a;
}

static json_t *bools(bool x, bool y) { return json_pack("[b,b]", x, y); }

static void set(json_t *o, const char *key, json_t *v) { json_object_set_new(o, key, v); }

json_t *ogv_region_to_json(const ogv_region *r) {
  json_t *o = json_object();
  set(o, "kind", json_string(ogv_region_word(r)));
  set(o, "format", json_integer(r->format));
  set(o, "data_type", json_integer(r->data_type));
  set(o, "unit_x", json_integer(r->unit_x));
  set(o, "unit_y", json_integer(r->unit_y));
  set(o, "flags", json_integer(r->flags));
  set(o, "box", json_pack("[i,i,i,i]", r->x0, r->y0, r->x1, r->y1));
  set(o, "ref", real_pair(r->has_ref_x, r->ref_x, r->has_ref_y, r->ref_y));
  set(o, "ref_value", real_pair(true, r->ref_value_x, true, r->ref_value_y));
  set(o, "delta", real_pair(true, r->delta_x, true, r->delta_y));
  set(o, "transducer_khz", ogv_json_real(r->transducer_khz));
  set(o, "prf_hz", ogv_json_real(r->prf_hz));
  set(o, "correction_angle_deg", ogv_json_real(r->correction_angle_deg));
  set(o, "steering_angle_deg", ogv_json_real(r->steering_angle_deg));
  if (r->has_component)
    set(o, "component",
        json_pack("{s:i,s:i,s:[f,f]}", "unit", r->component_unit, "type", r->component_type, "range", r->component_low,
                  r->component_high));
  set(o, "by_hand", json_boolean(r->by_hand));
  set(o, "measurable", bools(r->measurable_x, r->measurable_y));
  set(o, "absolute", bools(r->absolute_x, r->absolute_y));
  set(o, "calibration_sd", ogv_json_real(r->calibration_sd));
  set(o, "note", json_string(r->note));
  return o;
}

static ogv_status bad(ogv_error *err, const char *key) {
  return ogv_fail(err, OGV_E_INVALID, NULL, "region: \"%s\" is missing or is not what it should be", key);
}

/* A whole number that fits 32 bits. */
static bool whole(const json_t *v, long long low, long long high, long long *out) {
  if (!json_is_number(v)) return false;
  double d = json_number_value(v);
  if (!(d >= (double)low && d <= (double)high) || d != floor(d)) return false;
  *out = (long long)d;
  return true;
}

static bool pair_of(const json_t *o, const char *key, double out[2]) {
  const json_t *a = json_object_get(o, key);
  if (json_array_size(a) != 2) return false;
  for (size_t i = 0; i < 2; i++) {
    const json_t *v = json_array_get(a, i);
    if (!json_is_number(v) && !json_is_null(v)) return false;
    out[i] = json_is_null(v) ? NAN : json_number_value(v);
  }
  return true;
}

static bool flags_of(const json_t *o, const char *key, bool *x, bool *y) {
  const json_t *a = json_object_get(o, key);
  if (json_array_size(a) != 2 || !json_is_boolean(json_array_get(a, 0)) || !json_is_boolean(json_array_get(a, 1)))
    return false;
  *x = json_is_true(json_array_get(a, 0));
  *y = json_is_true(json_array_get(a, 1));
  return true;
}

/* Absent in most regions. */
static ogv_status component_from(const json_t *v, ogv_region *r, ogv_error *err) {
  const json_t *c = json_object_get(v, "component");
  long long unit, type;
  double range[2];
  if (!c || json_is_null(c)) return OGV_OK;
  if (!whole(json_object_get(c, "unit"), 0, 65535, &unit) || !whole(json_object_get(c, "type"), 0, 65535, &type) ||
      !pair_of(c, "range", range) || !isfinite(range[0]) || !isfinite(range[1]))
    return bad(err, "component");
  r->has_component = true;
  r->component_unit = (int)unit;
  r->component_type = (int)type;
  r->component_low = range[0];
  r->component_high = range[1];
  return OGV_OK;
}

ogv_status ogv_region_from_json(const json_t *v, ogv_region *out, ogv_error *err) {
  ogv_region r = {0};
  long long n;
  static const char *const codes[] = {"format", "data_type", "unit_x", "unit_y"};
  int *const members[] = {&r.format, &r.data_type, &r.unit_x, &r.unit_y};
  for (size_t i = 0; i < 4; i++) {
    if (!whole(json_object_get(v, codes[i]), 0, 65535, &n)) return bad(err, codes[i]);
    *members[i] = (int)n;
  }
  if (!whole(json_object_get(v, "flags"), 0, UINT32_MAX, &n)) return bad(err, "flags");
  r.flags = (uint32_t)n;
  const json_t *box = json_object_get(v, "box");
  int32_t *const corners[] = {&r.x0, &r.y0, &r.x1, &r.y1};
  if (json_array_size(box) != 4) return bad(err, "box");
  for (size_t i = 0; i < 4; i++) {
    if (!whole(json_array_get(box, i), INT32_MIN, INT32_MAX, &n)) return bad(err, "box");
    *corners[i] = (int32_t)n;
  }
  double ref[2], ref_value[2], delta[2];
  if (!pair_of(v, "ref", ref)) return bad(err, "ref");
  if (!pair_of(v, "ref_value", ref_value)) return bad(err, "ref_value");
  if (!pair_of(v, "delta", delta)) return bad(err, "delta");
  for (int i = 0; i < 2; i++)
    if (isfinite(ref[i]) && (fabs(ref[i]) > INT32_MAX || ref[i] != floor(ref[i]))) return bad(err, "ref");
  r.has_ref_x = isfinite(ref[0]);
  r.has_ref_y = isfinite(ref[1]);
  r.ref_x = r.has_ref_x ? (int32_t)ref[0] : 0;
  r.ref_y = r.has_ref_y ? (int32_t)ref[1] : 0;
  r.ref_value_x = ref_value[0];
  r.ref_value_y = ref_value[1];
  r.delta_x = delta[0];
  r.delta_y = delta[1];
  r.transducer_khz = ogv_json_number_or(v, "transducer_khz", NAN);
  r.prf_hz = ogv_json_number_or(v, "prf_hz", NAN);
  r.correction_angle_deg = ogv_json_number_or(v, "correction_angle_deg", NAN);
  r.steering_angle_deg = ogv_json_number_or(v, "steering_angle_deg", NAN);
  OGV_TRY(component_from(v, &r, err));
  r.by_hand = json_is_true(json_object_get(v, "by_hand"));
  if (!flags_of(v, "measurable", &r.measurable_x, &r.measurable_y)) return bad(err, "measurable");
  if (!flags_of(v, "absolute", &r.absolute_x, &r.absolute_y)) return bad(err, "absolute");
  /* A claim of measurability that the numbers do not bear out would divide by nothing later. */
  if ((r.measurable_x && !(isfinite(delta[0]) && delta[0] != 0)) ||
      (r.measurable_y && !(isfinite(delta[1]) && delta[1] != 0)))
    return bad(err, "delta");
  r.absolute_x &= r.measurable_x && r.has_ref_x && isfinite(r.ref_value_x);
  r.absolute_y &= r.measurable_y && r.has_ref_y && isfinite(r.ref_value_y);
  r.calibration_sd = ogv_json_number_or(v, "calibration_sd", NAN);
  snprintf(r.note, sizeof r.note, "%s", ogv_json_string_or(v, "note", ""));
  *out = r;
  return OGV_OK;
}

/* JSON that comes from a browser or a stored report: geometries, regions, evidence. Any text gives a message or finite
 * numbers. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core_json.h"
#include "fuzz_driver.h"
#include "measure_colour_reading.h"
#include "measure_quantity.h"

static void demand(int ok, const char *what) {
  if (ok) return;
  fprintf(stderr, "fuzz: %s\n", what);
  abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
  json_t *v;
  ogv_error err = {0};
  if (ogv_json_parse((const char *)data, size, "fuzz", &v, &err) != OGV_OK) return 0;
  ogv_geometry g;
  if (ogv_geometry_from_json(json_object_get(v, "geometry"), &g, &err) == OGV_OK) {
    json_t *back = ogv_geometry_to_json(&g);
    ogv_geometry again;
    demand(ogv_geometry_from_json(back, &again, &err) == OGV_OK, "a geometry that cannot be read back");
    json_decref(back);
    ogv_geometry_free(&again);
    ogv_geometry_free(&g);
  }
  static const char *const ids[] = {"hc", "fl", "fhr", "mca-psv", "cardiac-axis", "av-interval"};
  for (size_t i = 0; i < sizeof ids / sizeof ids[0]; i++) {
    double value, sd;
    err.what[0] = 0;
    if (ogv_measure_from_evidence(ogv_quantity_find(ids[i]), v, &value, &sd, &err) == OGV_OK)
      demand(isfinite(value) && isfinite(sd) && sd >= 0, "a value that is no number");
    else demand(err.what[0], "no message");
  }
  err.what[0] = 0;
  if (ogv_colour_derive(v, &err) == OGV_OK) {
    json_t *again = json_deep_copy(v);
    demand(ogv_colour_derive(again, &err) == OGV_OK && json_equal(v, again), "a colour reading that derives otherwise");
    json_decref(again);
  } else demand(err.what[0], "no message for a colour reading");
  json_decref(v);
  return 0;
}

#define REGION(ux, uy, dx, dy)                                                \
  "\"region\":{\"format\":1,\"data_type\":1,\"unit_x\":" ux ",\"unit_y\":" uy \
  ",\"flags\":2,\"box\":[0,0,799,599],"                                       \
  "\"ref\":[0,300],\"ref_value\":[0,0],\"delta\":[" dx "," dy                 \
  "],\"measurable\":[true,true],\"absolute\":[true,true],\"calibration_sd\":0.005,\"note\":\"\"}"

int ogv_fuzz_seed(int i, uint8_t **data, size_t *size) {
  static const char *const seeds[] = {
      "{\"colour\":{\"pixels\":900,\"coloured_pixels\":300,\"towards_pixels\":200,\"aliased_pixels\":9,"
      "\"magnitude_sum\":120.5},\"curve\":[{\"frame\":0,\"coloured_pixels\":300,\"magnitude_sum\":120.5},"
      "{\"frame\":1,\"coloured_pixels\":310,\"magnitude_sum\":130}],\"bar_end_cm_s\":26}",
      "{\"type\":\"geometry\",\"geometry\":{\"kind\":\"ellipse\",\"points\":[[100,300],[400,300],[250,200],[250,400]]}"
      "," REGION("3", "3", "0.03", "0.03") "}",
      "{\"type\":\"geometry\",\"geometry\":{\"kind\":\"distance\",\"points\":[[100,300],[250,310.5]]}," REGION(
          "3", "3", "0.03", "0.02") "}",
      "{\"type\":\"geometry\",\"geometry\":{\"kind\":\"outline\",\"points\":[[100,300],[400,300],[400,500],[90,450]]}"
      "," REGION("3", "3", "-0.03", "0.02") "}",
      "{\"type\":\"geometry\",\"geometry\":{\"kind\":\"interval\",\"points\":[[100,300],[200,300]]}," REGION(
          "4", "7", "0.004", "-0.5") "}",
      "{\"type\":\"geometry\",\"geometry\":{\"kind\":\"point\",\"points\":[[100,200]]}," REGION("4", "7", "0.004",
                                                                                                "-0.5") "}",
      "{\"type\":\"geometry\",\"geometry\":{\"kind\":\"angle\",\"points\":[[100,200],[150,200],[200,300]]}," REGION(
          "3", "3", "0.03", "0.02") "}",
      "{\"type\":\"av-interval\",\"from\":\"spectrum\",\"beat_s\":0.43,\"beats\":[{\"atrial_x\":100,\"ventricular_x\":"
      "130},{"
      "\"atrial_x\":207.5,\"ventricular_x\":238,\"used\":true},{\"atrial_x\":315,\"ventricular_x\":344.25}]," REGION(
          "4", "7", "0.004", "-0.5") "}"};
  if (i < 0 || (size_t)i >= sizeof seeds / sizeof seeds[0]) return 0;
  *data = (uint8_t *)strdup(seeds[i]);
  *size = strlen(seeds[i]);
  return *data != NULL;
}

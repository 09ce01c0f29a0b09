/* `ogive chart plot`: the centile curves of one chart as an SVG picture, with points on it. */
#include <stdlib.h>
#include <string.h>

#include "cli_chart.h"
#include "core_file.h"

/* "20w3d:172" */
static ogv_status point_read(const ogv_chart *c, const char *text, const chart_options *o, ogv_chart_mark *m,
                             ogv_error *err) {
  char age[64];
  const char *colon = strrchr(text, ':');
  if (!colon || (size_t)(colon - text) >= sizeof age)
    return ogv_fail(err, OGV_E_INVALID, NULL, "a point is written AGE:VALUE, not \"%.60s\"", text);
  snprintf(age, sizeof age, "%.*s", (int)(colon - text), text);
  OGV_TRY(ogv_cli_chart_read_x(c, age, o->x_unit, &m->x, err));
  OGV_TRY(ogv_cli_chart_read_value(c, ogv_cli_chart_quantity(c, o), colon + 1, &m->value, err));
  return OGV_OK;
}

static ogv_status plot(const chart_options *o, char **svg, ogv_error *err) {
  const ogv_chart *c;
  ogv_chart_mark marks[OGV_ARG_LIST];
  double z[OGV_CHART_CURVES];
  OGV_TRY(ogv_cli_chart_pick(o->words[1], o->unverified, &c, err));
  for (size_t i = 0; i < o->points.n; i++) OGV_TRY(point_read(c, o->points.value[i], o, &marks[i], err));
  int n = o->n_deviates ? o->n_deviates : ogv_chart_usual_curves(c, z);
  return ogv_chart_svg(c, o->n_deviates ? o->deviates : z, n, marks, o->points.n, svg, err);
}

int ogv_cli_chart_run_plot(const chart_options *o) {
  ogv_error e;
  char *svg = NULL;
  if (o->n_words != 2) return ogv_cli_usage(&ogv_cmd_chart, "plot wants one chart");
  ogv_status s = plot(o, &svg, &e);
  if (s == OGV_OK && o->out) s = ogv_file_write(o->out, svg, strlen(svg), &e);
  if (s == OGV_OK && !o->out && (fputs(svg, stdout) < 0 || fflush(stdout)))
    s = ogv_fail(&e, OGV_E_IO, NULL, "the picture could not be written");
  free(svg);
  return s == OGV_OK ? 0 : ogv_cli_fail("chart", &e, o->json);
}

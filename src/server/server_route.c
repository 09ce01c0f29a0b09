/* The table of routes. docs/server.md describes each. */
#include <string.h>

#include "server_internal.h"

static const ogv_route routes[] = {
    {"GET", "/", ogv_handle_page, false, false},
    {"GET", "/exam/*", ogv_handle_page, false, false},
    {"GET", "/calculator", ogv_handle_page, false, false},
    {"GET", "/exam/*/*", ogv_handle_page, false, false},
    {"GET", "/people", ogv_handle_page, false, false},
    {"GET", "/protocols", ogv_handle_page, false, false},
    {"GET", "/protocols/*", ogv_handle_page, false, false},
    {"GET", "/web/*", ogv_handle_web, false, false},
    {"GET", "/api/about", ogv_handle_about, false, false, OGV_NEED_NOBODY},
    {"GET", "/api/quantities", ogv_handle_quantities, false, false},
    {"GET", "/api/charts", ogv_handle_charts, false, false},
    {"GET", "/api/exams", ogv_handle_exams, false, false},
    {"GET", "/api/exams/*", ogv_handle_exam, false, false},
    {"GET", "/api/exams/*/charts/*", ogv_handle_chart, false, false},
    {"GET", "/api/exams/*/report.pdf", ogv_handle_report, false, false},
    {"POST", "/api/exams/*/measurements", ogv_handle_measure, true, false},
    {"POST", "/api/exams/*/evidence", ogv_handle_evidence, true, false},
    {"POST", "/api/exams/*/dating", ogv_handle_dating, true, false},
    {"POST", "/api/measurements/*/events", ogv_handle_measure_event, true, false},
    {"GET", "/api/objects/*", ogv_handle_object, false, false},
    {"GET", "/api/objects/*/frames/*", ogv_handle_frame, false, false},
    {"GET", "/api/objects/*/thumb", ogv_handle_thumb, false, false},
    {"GET", "/api/objects/*/covers", ogv_handle_covers, false, false},
    {"GET", "/api/looks/edges", ogv_handle_looks_edges, false, false},
    {"GET", "/api/looks", ogv_handle_looks, false, false},
    {"POST", "/api/looks", ogv_handle_looks_save, true, false},
    {"POST", "/api/objects/*/geometry", ogv_handle_geometry, false, false},
    {"POST", "/api/objects/*/proposals", ogv_handle_proposals, false, false},
    {"POST", "/api/objects/*/clip-readings", ogv_handle_clip, false, false},
    {"POST", "/api/objects/*/colour", ogv_handle_colour, false, false},
    {"POST", "/api/exams/*/colour", ogv_handle_colour_keep, true, false},
    {"POST", "/api/planes", ogv_handle_planes, false, false},
    {"GET", "/api/jobs/*", ogv_handle_job, false, false},
    {"DELETE", "/api/jobs/*", ogv_handle_job_stop, false, false},
    {"POST", "/api/exams/*/rereads", ogv_handle_rereads, true, false},
    {"GET", "/api/sites", ogv_handle_sites, false, false},
    {"POST", "/api/combine", ogv_handle_combine, false, false},
    {"POST", "/api/calculate/value", ogv_handle_calculate_value, false, false},
    {"POST", "/api/calculate/weight", ogv_handle_calculate_weight, false, false},
    {"POST", "/api/calculate/dating", ogv_handle_calculate_dating, false, false},
    {"POST", "/api/calculate/artery", ogv_handle_calculate_artery, false, false},
    {"GET", "/api/exams/*/marks", ogv_handle_marks, false, false},
    {"POST", "/api/exams/*/marks", ogv_handle_marks_save, true, false},
    {"GET", "/api/events", ogv_handle_events, false, false},
    {"POST", "/api/imports/*/files", ogv_handle_import_file, true, true},
    {"POST", "/api/imports/*", ogv_handle_import_run, true, false},
    {"GET", "/api/receipts", ogv_handle_receipts, false, false},
    {"GET", "/api/protocols", ogv_handle_protocols, false, false},
    {"GET", "/api/protocols/*", ogv_handle_protocol, false, false},
    {"PUT", "/api/protocols/*", ogv_handle_protocol_save, true, false, OGV_NEED_LEAD},
    {"GET", "/api/setup", ogv_handle_setup, false, false},
    {"POST", "/api/setup", ogv_handle_setup_save, true, false, OGV_NEED_LEAD},
    {"GET", "/api/session", ogv_handle_session, false, false, OGV_NEED_NOBODY},
    {"POST", "/api/session", ogv_handle_session_start, false, false, OGV_NEED_NOBODY},
    {"DELETE", "/api/session", ogv_handle_session_end, false, false, OGV_NEED_NOBODY},
    {"POST", "/api/session/password", ogv_handle_password, true, false, OGV_NEED_PERSON},
    {"GET", "/api/people", ogv_handle_people, false, false, OGV_NEED_PEOPLE},
    {"POST", "/api/people", ogv_handle_people_save, true, false, OGV_NEED_PEOPLE},
    {"POST", "/api/exams/*/findings", ogv_handle_findings_save, true, false},
    {"POST", "/api/exams/*/chorionicity", ogv_handle_chorionicity, true, false},
    {"POST", "/api/exams/*/protocol", ogv_handle_exam_protocol, true, false},
    {"POST", "/api/exams/*/told", ogv_handle_told, true, false},
    {"POST", "/api/objects/*/events", ogv_handle_object_event, true, false},
    {"GET", "/api/exams/*/draft", ogv_handle_draft, false, false},
    {"PUT", "/api/exams/*/draft", ogv_handle_draft_save, true, false},
    {"GET", "/api/exams/*/sign", ogv_handle_signing, false, false},
    {"POST", "/api/exams/*/sign", ogv_handle_sign, true, false, OGV_NEED_SIGN},
    {"GET", "/api/exams/*/pages/*", ogv_handle_page_draft, false, false},
    {"GET", "/api/exams/*/contact.pdf", ogv_handle_contact, false, false},
    {"GET", "/api/exams/*/parents.pdf", ogv_handle_parents, false, false},
    {"GET", "/api/printers", ogv_handle_printers, false, false},
    {"POST", "/api/printers", ogv_handle_printers_save, true, false, OGV_NEED_LEAD},
    {"POST", "/api/exams/*/print", ogv_handle_print, true, false},
    {"GET", "/api/exams/*/print", ogv_handle_print_state, false, false},
    {"POST", "/api/exams/*/print/cancel", ogv_handle_print_cancel, true, false},
    {"GET", "/api/exams/*/prints/*", ogv_handle_print_look, false, false},
    {"GET", "/api/exams/*/prints/*/*", ogv_handle_print_page, false, false},
    {"GET", "/api/exams/*/figures/*", ogv_handle_figure, false, false},
    {"GET", "/api/reports/*", ogv_handle_report_row, false, false},
    {"GET", "/api/reports/*/report.pdf", ogv_handle_report_file, false, false},
    {"GET", "/api/reports/*/pages/*", ogv_handle_page_report, false, false},
    {"POST", "/api/reports/*/sign", ogv_handle_second, true, false, OGV_NEED_SIGN},
    {"GET", "/api/languages", ogv_handle_languages, false, false},
    {"GET", "/api/department", ogv_handle_department, false, false},
    {"POST", "/api/department", ogv_handle_department_save, true, false, OGV_NEED_LEAD},
};

/* Names in paths are ids and file names of ours: letters, digits and "-_." and never a leading dot. */
static bool plain_name(const char *p, size_t n) {
  if (n == 0 || n >= OGV_ARG_TEXT || p[0] == '.') return false;
  for (size_t i = 0; i < n; i++) {
    char c = p[i];
    bool ok = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || strchr("-_.", c);
    if (!ok) return false;
  }
  return true;
}

static bool matches(const char *pattern, const char *path, char arg[OGV_ARGS][OGV_ARG_TEXT]) {
  size_t n = 0;
  for (;;) {
    size_t a = strcspn(pattern, "/"), b = strcspn(path, "/");
    if (a == 1 && pattern[0] == '*') {
      if (n == OGV_ARGS || !plain_name(path, b)) return false;
      memcpy(arg[n], path, b);
      arg[n++][b] = 0;
    } else if (a != b || memcmp(pattern, path, a)) {
      return false;
    }
    pattern += a;
    path += b;
    if (!*pattern || !*path) return !*pattern && !*path;
    pattern++;
    path++;
  }
}

const ogv_route *ogv_route_find(const char *method, const char *path, char arg[OGV_ARGS][OGV_ARG_TEXT],
                                bool *other_method) {
  *other_method = false;
  const char *wanted = strcmp(method, "HEAD") ? method : "GET";
  for (size_t i = 0; i < sizeof routes / sizeof *routes; i++) {
    if (!matches(routes[i].pattern, path, arg)) continue;
    if (!strcmp(routes[i].method, wanted)) return &routes[i];
    *other_method = true;
  }
  return NULL;
}

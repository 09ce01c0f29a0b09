/* Work that takes longer than an answer may: done one after another on a thread of its own, with progress that a page
 * can ask for, and stopped when the person does not want it any more. Results stay until newer ones push them out. */
#ifndef SERVER_JOBS_H
#define SERVER_JOBS_H

#include "server_internal.h"

typedef struct ogv_job ogv_job;
/* q: a request of the job's own (server, who and store; no connection). ask: the request's body with "object". The
 * answer is new. Call ogv_job_step now and then. */
typedef ogv_status (*ogv_job_work)(ogv_request *q, ogv_job *job, const json_t *ask, json_t **answer, ogv_error *err);

ogv_jobs *ogv_jobs_new(void);    /* NULL when out of memory */
void ogv_jobs_free(ogv_jobs *j); /* stops what runs, and waits for it */

/* ask is copied. id: 33 bytes. OGV_E_CONFLICT when too much is waiting already. */
ogv_status ogv_job_start(ogv_request *q, ogv_job_work work, const json_t *ask, char id[33], ogv_error *err);
/* The next step of `of` is taken. Work may be over before the last one: then it says how far it went. OGV_E_DENIED when
 * the work is to stop: hand it on. */
ogv_status ogv_job_step(ogv_job *job, int of, ogv_error *err);
/* The answer of finished work (new reference). OGV_E_NOT_FOUND when it is not kept any more or was never done. */
ogv_status ogv_job_answer(ogv_server *s, const char *id, json_t **ask, json_t **answer, ogv_error *err);

#endif

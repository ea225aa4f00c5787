// The front desk: the day starts, a patient is seated and leaves, and the answers are read by their types.
import createClient from "openapi-fetch";
import type { components, paths } from "./api.d.ts";
import { setting, wanted } from "./settings.ts";

type DeskPost = components["schemas"]["DeskPost"];
const desk = createClient<paths>({
  baseUrl: setting("CHAIRTIDE_URL"),
  headers: { Authorization: `Bearer ${setting("FRONT_DESK_KEY")}` },
});
const operatory = { operatory_id: setting("OPERATORY_ID") };
const once = () => ({ "Idempotency-Key": crypto.randomUUID() });

const day = wanted(
  await desk.POST("/v1/clinics/{clinic_id}/day-start", {
    params: { path: { clinic_id: setting("CLINIC_ID") } },
    body: {},
  }),
);
console.log(`day ${day.clinic_day} started at ${day.at}`);

const seated = wanted(
  await desk.POST("/v1/operatories/{operatory_id}/seated", {
    params: { path: operatory, header: once() },
    body: { at: new Date(Date.now() - 60_000).toISOString() },
  }),
);
for (const missing of seated.readiness?.missing ?? []) console.log(`record missing: ${missing.routine_name}`);

const left = wanted(
  await desk.POST("/v1/operatories/{operatory_id}/left", { params: { path: operatory, header: once() }, body: {} }),
);
if (left.task_ids?.length !== 1) throw new Error(`one turnover task was expected, not ${left.task_ids}`);

// There is no place for a patient: neither the compiler nor the service takes one.
// @ts-expect-error: the body has no such field
const named: DeskPost = { patient_name: "" };
const refused = await desk.POST("/v1/operatories/{operatory_id}/seated", {
  params: { path: operatory, header: once() },
  body: named,
});
if (refused.response.status !== 400) throw new Error(`a patient's name was answered ${refused.response.status}`);

// @ts-expect-error: a seating needs an Idempotency-Key
const bare = await desk.POST("/v1/operatories/{operatory_id}/seated", { params: { path: operatory }, body: {} });
if (bare.response.status !== 400) throw new Error(`a post without a key was answered ${bare.response.status}`);

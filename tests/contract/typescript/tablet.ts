// The tablet at the chair: it fetches what is due, times one step by the service's clock, and records the task.
import createClient from "openapi-fetch";
import type { components, paths } from "./api.d.ts";
import { setting, wanted } from "./settings.ts";

type StepAnswer = components["schemas"]["StepAnswer"];
const tablet = createClient<paths>({
  baseUrl: setting("CHAIRTIDE_URL"),
  headers: { Authorization: `Bearer ${setting("CHAIRSIDE_KEY")}` },
});
const path = { operatory_id: setting("OPERATORY_ID") };
const performed_by = "KV";

const due = await tablet.GET("/v1/operatories/{operatory_id}/due", { params: { path, query: { ahead_minutes: 60 } } });
const task = wanted(due).tasks.find((task) => task.routine_id === setting("TURNOVER_ROUTINE_ID"));
if (task === undefined) throw new Error("the turnover task is not due");
const tag = due.response.headers.get("etag") ?? "";
const again = await tablet.GET("/v1/operatories/{operatory_id}/due", {
  params: { path, query: { ahead_minutes: 60 }, header: { "If-None-Match": tag } },
});
if (again.response.status !== 304) throw new Error(`nothing changed, but ${again.response.status}`);

const steps: StepAnswer[] = [];
for (const { step, evidence } of task.steps) {
  if (evidence.kind === "hold") {
    const hold_id = crypto.randomUUID();
    const params = { path: { task_id: task.task_id } };
    wanted(await tablet.POST("/v1/tasks/{task_id}/holds", { params, body: { hold_id, step, performed_by } }));
    const end = { path: { task_id: task.task_id, hold_id } };
    wanted(await tablet.POST("/v1/tasks/{task_id}/holds/{hold_id}/end", { params: end, body: { performed_by } }));
    steps.push({ step, status: "done", hold_id });
  } else if (evidence.kind === "reading") {
    steps.push({ step, status: "done", reading: { qualifier: "lt", value: "1", unit: evidence.unit } });
  } else {
    steps.push({ step, status: "done" });
  }
}
const completion_id = crypto.randomUUID();
const performed_at = new Date().toISOString();
const kept = wanted(
  await tablet.POST("/v1/completions", {
    body: { completion_id, task_id: task.task_id, performed_at, performed_by, steps },
  }),
);
// The hold was cut short, and is kept with the verdict it earns.
if (kept.verdict !== "failed") throw new Error(`a hold of no time was judged ${kept.verdict}`);
console.log(`${task.routine_name}: ${kept.verdict}, ${kept.steps.map((s) => s.finding).join("; ")}`);

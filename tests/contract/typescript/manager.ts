// The manager: what is overdue over all clinics, page by page, and the figures of the last days.
import createClient from "openapi-fetch";
import type { components, paths } from "./api.d.ts";
import { setting, wanted } from "./settings.ts";

type OverdueItem = components["schemas"]["OverdueItem"];
const options = {
  baseUrl: setting("CHAIRTIDE_URL"),
  headers: { Authorization: `Bearer ${setting("MANAGER_KEY")}` },
};
const manager = createClient<paths, "application/json">(options);
const spreadsheet = createClient<paths, "text/csv">(options);

const overdue: OverdueItem[] = [];
let cursor: string | undefined;
do {
  const page = await manager.GET("/v1/overdue", { params: { query: { limit: 1, cursor } } });
  overdue.push(...wanted(page).items);
  // RFC 8288: the address of the next page, relative to this one.
  const next = /<([^>]+)>; rel="next"/.exec(page.response.headers.get("link") ?? "")?.[1];
  cursor = next && (new URL(next, setting("CHAIRTIDE_URL")).searchParams.get("cursor") ?? undefined);
} while (cursor !== undefined);
if (overdue.length < 2) throw new Error(`two overdue tasks were expected, not ${overdue.length}`);
for (const item of overdue) {
  console.log(`${item.clinic_name}, ${item.subject_name}: ${item.routine_name}, level ${item.level}`);
}

const csv = await spreadsheet.GET("/v1/overdue", { headers: { Accept: "text/csv" }, parseAs: "text" });
const lines = wanted(csv).trimEnd().split("\r\n");
if (lines.length !== overdue.length + 1) throw new Error(`${lines.length} lines for ${overdue.length} tasks`);

const summary = wanted(await manager.GET("/v1/summary", {}));
for (const clinic of summary.items) {
  console.log(`${clinic.name}: ${clinic.done} done, ${clinic.missed} missed, rate ${clinic.rate_done ?? "none"}`);
}

// A manager reads; the service says so with a problem document.
const refused = await manager.PUT("/v1/ladder", { body: { rungs: [] } });
if (refused.response.status !== 403) throw new Error(`a manager's change was answered ${refused.response.status}`);

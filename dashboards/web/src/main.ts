// Everything here only adds to pages that are complete without it: news as they come, a chart that zooms,
// a query that is answered in place, and a print button.
import { follow } from "./live";
import { outcomes } from "./outcome";

async function enhance(): Promise<void> {
  for (const button of document.querySelectorAll<HTMLButtonElement>("button[data-print]")) {
    button.hidden = false;
    button.onclick = () => window.print();
  }
  const form = document.querySelector<HTMLFormElement>("form[data-sql]");
  if (form) {
    const { ask } = await import("./sql");
    ask(form);
  }
  for (const zones of document.querySelectorAll<HTMLSelectElement>("select[data-zones]")) {
    const mine = Intl.DateTimeFormat().resolvedOptions().timeZone;
    if (mine && ![...zones.options].some((o) => o.value === mine)) zones.add(new Option(mine + " (this browser)", mine));
  }
  for (const button of document.querySelectorAll<HTMLButtonElement>("button[data-mark-all]")) {
    button.hidden = false;
    button.onclick = () => {
      for (const mark of button.form?.querySelectorAll<HTMLInputElement>('input[type="checkbox"]') ?? []) mark.checked = true;
    };
  }
  if (document.querySelector("[data-job]")) {
    const { drag } = await import("./plan");
    drag();
  }
  const box = document.querySelector<HTMLElement>("[data-points]");
  if (box) {
    const { draw } = await import("./course");
    await draw(box);
  }
}

const region = document.querySelector<HTMLElement>("main[data-live]");
const status = document.getElementById("live");
if (region && status) follow(region, status, enhance);
outcomes();
enhance().catch((reason: unknown) => console.error("enhance", reason));

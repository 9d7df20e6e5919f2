// Everything here only adds to pages that are complete without it: news as they come, a chart that zooms,
// and a print button.
import { follow } from "./live";

async function enhance(): Promise<void> {
  for (const button of document.querySelectorAll<HTMLButtonElement>("button[data-print]")) {
    button.hidden = false;
    button.onclick = () => window.print();
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
enhance().catch((reason: unknown) => console.error("enhance", reason));

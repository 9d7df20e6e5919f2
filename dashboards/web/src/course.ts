// draw replaces the drawing of a series by one that zooms and answers to the pointer. It shows the numbers
// of the table beside it, from the same source, and nothing else.
import { LineChart, ScatterChart } from "echarts/charts";
import { AriaComponent, DataZoomComponent, GridComponent, MarkAreaComponent, MarkLineComponent, TooltipComponent } from "echarts/components";
import { init, use } from "echarts/core";
import type { EChartsType } from "echarts/core";
import { SVGRenderer } from "echarts/renderers";
import { course } from "./option";
import type { Course } from "./option";

use([LineChart, ScatterChart, GridComponent, TooltipComponent, DataZoomComponent, MarkLineComponent, MarkAreaComponent, AriaComponent, SVGRenderer]);

let chart: EChartsType | undefined;
let stage: HTMLElement | undefined;
let numbers: Course | undefined;

export async function draw(box: HTMLElement): Promise<void> {
  const answer = await fetch(box.dataset.points ?? "");
  if (!answer.ok) throw new Error("numbers of the chart: status " + answer.status);
  numbers = (await answer.json()) as Course;
  if (!chart || stage?.parentElement !== box) {
    chart?.dispose();
    stage = document.createElement("div");
    stage.className = "interactive";
    box.replaceChildren(controls(), stage);
    box.classList.add("live");
    chart = init(stage, undefined, { renderer: "svg" });
    new ResizeObserver(() => {
      chart?.resize();
      paint();
    }).observe(stage);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", paint);
    addEventListener("pagehide", (e) => {
      if (!e.persisted) chart?.dispose();
    });
  }
  paint();
  box.dataset.drawn = String(numbers.points.length);
}

function paint(): void {
  if (!chart || !stage || !numbers) return;
  chart.setOption(course(numbers, stage), { replaceMerge: ["series"] });
  stage.querySelector("svg")?.setAttribute("focusable", "false");
}

// controls give the keyboard what the wheel and the slider give the pointer.
function controls(): HTMLElement {
  const bar = document.createElement("div");
  bar.className = "zoom";
  bar.setAttribute("role", "group");
  bar.setAttribute("aria-label", "Zoom of the chart");
  const add = (words: string, to: (a: number, b: number) => [number, number]): void => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = words;
    button.onclick = () => {
      const zoom = (chart?.getOption() as { dataZoom?: { start: number; end: number }[] }).dataZoom?.[0];
      if (!zoom) return;
      const [a, b] = to(zoom.start, zoom.end);
      chart?.dispatchAction({ type: "dataZoom", start: Math.max(0, a), end: Math.min(100, b) });
    };
    bar.append(button);
  };
  add("Closer", (a, b) => [a + (b - a) / 4, b - (b - a) / 4]);
  add("Wider", (a, b) => [a - (b - a) / 2, b + (b - a) / 2]);
  add("Earlier", (a, b) => (a <= 0 ? [a, b] : [a - Math.min(a, (b - a) / 2), b - Math.min(a, (b - a) / 2)]));
  add("Later", (a, b) => (b >= 100 ? [a, b] : [a + Math.min(100 - b, (b - a) / 2), b + Math.min(100 - b, (b - a) / 2)]));
  add("Whole", () => [0, 100]);
  const note = document.createElement("span");
  note.className = "grey";
  note.textContent = "Ctrl and the wheel zoom too.";
  bar.append(note);
  return bar;
}

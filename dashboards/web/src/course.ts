// draw replaces the drawing of a series by one that zooms and answers to the pointer. It shows the numbers
// of the table beside it, from the same source, and nothing else.
import { LineChart, ScatterChart } from "echarts/charts";
import { AriaComponent, DataZoomComponent, GridComponent, MarkAreaComponent, MarkLineComponent, TooltipComponent } from "echarts/components";
import { init, use } from "echarts/core";
import type { EChartsType } from "echarts/core";
import { CanvasRenderer, SVGRenderer } from "echarts/renderers";
import { lens } from "./lens";
import type { Lens } from "./lens";
import { course, end } from "./option";
import type { Course, Week } from "./option";
import { height } from "./panels";

use([LineChart, ScatterChart, GridComponent, TooltipComponent, DataZoomComponent, MarkLineComponent, MarkAreaComponent, AriaComponent, SVGRenderer, CanvasRenderer]);

export const many = 2000; // points above which the drawing is made of pixels

let chart: EChartsType | undefined;
let stage: HTMLElement | undefined;
let numbers: Course | undefined;
let behind: Week[] = [];
let looking: Lens | undefined;

export async function draw(box: HTMLElement): Promise<void> {
  await read(box);
  if (!chart || stage?.parentElement !== box) begin(box);
  paint();
  looking = lens(box, async () => {
    await read(box);
    paint();
  }, peers);
}

async function read(box: HTMLElement): Promise<void> {
  const answer = await fetch(box.dataset.points ?? "");
  if (!answer.ok) throw new Error("numbers of the chart: status " + answer.status);
  numbers = (await answer.json()) as Course;
  for (const p of numbers.points) p.t = Date.parse(p.at);
  box.dataset.drawn = String(numbers.points.length);
}

let fetched = ""; // the address that the peers are from

async function peers(address: string): Promise<void> {
  if (address !== fetched) {
    behind = [];
    fetched = address;
    const answer = address === "" ? undefined : await fetch(address);
    if (answer?.ok) behind = (await answer.json()) as Week[];
  }
  paint();
  if (stage?.parentElement) stage.parentElement.dataset.peers = String(behind.length);
}

function begin(box: HTMLElement): void {
  chart?.dispose();
  stage = document.createElement("div");
  stage.className = "interactive";
  box.replaceChildren(controls(), stage);
  box.classList.add("live");
  chart = init(stage, undefined, { renderer: (numbers?.points.length ?? 0) > many ? "canvas" : "svg" });
  const mine = chart;
  new ResizeObserver(() => {
    if (mine.isDisposed()) return;
    mine.resize();
    paint();
  }).observe(stage);
  matchMedia("(prefers-color-scheme: dark)").onchange = paint;
  paint();
  if (box.dataset.from || box.dataset.to)
    chart.dispatchAction({ type: "dataZoom", startValue: Date.parse(box.dataset.from || (numbers?.points[0]?.at ?? "")), endValue: Date.parse(box.dataset.to || (numbers ? end(numbers) : "")) });
  chart.on("datazoom", () => {
    const zoom = (mine.getOption() as { dataZoom?: { start: number; end: number; startValue: number; endValue: number }[] }).dataZoom?.[0];
    if (!zoom) return;
    looking?.zoomed(zoom.start <= 0.05 ? undefined : new Date(zoom.startValue), zoom.end >= 99.95 ? undefined : new Date(zoom.endValue));
  });
  addEventListener("pagehide", (e) => {
    if (!e.persisted) mine.dispose();
  });
}

function paint(): void {
  if (!chart || chart.isDisposed() || !stage || !numbers) return;
  const high = height(numbers.with.length);
  if (stage.style.height !== high + "px") {
    stage.style.height = high + "px";
    chart.resize();
  }
  chart.setOption(course(numbers, behind, stage), { replaceMerge: ["series", "grid", "xAxis", "yAxis"] });
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
  note.textContent = "Ctrl and the wheel zoom too; the table follows.";
  bar.append(note);
  return bar;
}

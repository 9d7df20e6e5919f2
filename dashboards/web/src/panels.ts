// panels lays out what lies over each other on one time axis: results, score, and one panel for each condition.
import type { LineSeriesOption, ScatterSeriesOption } from "echarts/charts";
import type { Course, Week } from "./option";

const results = { top: 30, height: 268 };
const score = { top: 354, height: 62 };
const panel = { gap: 30, height: 52 };
const foot = 64; // the axis and the slider

export const left = 52;

export interface Place {
  left: number;
  right: number;
  top: number;
  height: number;
}

// places are the grids from the top, in pixels: results, score, conditions.
export function places(conditions: number): Place[] {
  const at = (p: { top: number; height: number }): Place => ({ left, right: 14, ...p });
  const out = [at(results), at(score)];
  for (let k = 0; k < conditions; k++) out.push(at({ top: score.top + score.height + panel.gap + k * (panel.height + panel.gap), height: panel.height }));
  return out;
}

export function height(conditions: number): number {
  return score.top + score.height + conditions * (panel.height + panel.gap) + foot;
}

type Ink = (name: string) => string;

// conditions are the dots of each panel, read with the same results.
export function conditions(c: Course, ink: Ink): ScatterSeriesOption[] {
  return c.with.map((q, k) => ({
    type: "scatter", id: "with-" + q.column, name: q.name, xAxisIndex: 2 + k, yAxisIndex: 2 + k, symbolSize: 3, large: true, itemStyle: { color: ink("soft") },
    data: c.points.flatMap((p): [number, number][] => (typeof p.with?.[k] === "number" ? [[p.t, p.with[k]]] : [])),
  }));
}

// behind is where the middle eight of ten units like this one lie, and their median, drawn under everything.
export function behind(weeks: Week[], ink: Ink, from: number, to: number): LineSeriesOption[] {
  const half = 3.5 * 86_400_000;
  const shown = weeks.map((w) => ({ ...w, t: Date.parse(w.from) + half })).filter((w) => w.t >= from && w.t <= to);
  if (shown.length < 2) return [];
  const row = (of: (w: Week) => number): [number, number | null][] => {
    const out: [number, number | null][] = [];
    for (const w of shown) {
      const before = out.at(-1);
      if (before && w.t - before[0] > 2.2 * half) out.push([before[0] + half, null]);
      out.push([w.t, of(w)]);
    }
    return out;
  };
  const quiet: Partial<LineSeriesOption> = { symbol: "none", silent: true, tooltip: { show: false }, z: 0 };
  return [
    { ...quiet, type: "line", id: "peers-low", name: "units like this one, from", stack: "peers", stackStrategy: "all", lineStyle: { opacity: 0 }, data: row((w) => w.low) },
    { ...quiet, type: "line", id: "peers", name: "units like this one", stack: "peers", stackStrategy: "all", lineStyle: { opacity: 0 }, areaStyle: { color: ink("peers"), opacity: 1 }, data: row((w) => w.high - w.low) },
    { ...quiet, type: "line", id: "peers-mid", name: "their median", z: 2, lineStyle: { color: ink("soft"), width: 0.9, opacity: 0.55 }, data: row((w) => w.mid) },
  ];
}

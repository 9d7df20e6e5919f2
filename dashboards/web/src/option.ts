// course turns the numbers of a series into a chart option: readings against their limit above, the score
// with its alarm line below, both on one time axis.
import type { LineSeriesOption, ScatterSeriesOption } from "echarts/charts";
import type { AriaComponentOption, DataZoomComponentOption, GridComponentOption, TooltipComponentOption } from "echarts/components";
import type { ComposeOption } from "echarts/core";
import { behind, conditions, left, places } from "./panels";

type Option = ComposeOption<
  LineSeriesOption | ScatterSeriesOption | GridComponentOption | TooltipComponentOption | DataZoomComponentOption | AriaComponentOption
>;

export interface Point {
  at: string;
  epoch: number;
  value: number | null;
  min: number | null;
  max: number | null;
  margin: number | null;
  baseline: number | null;
  spread: number | null;
  score: number | null;
  failed: boolean;
  restart?: string;
  with?: (number | null)[];
  t: number; // at, in milliseconds; set when read
}

// A Week is one of the test on units like this one.
export interface Week {
  from: string;
  units: number;
  low: number;
  mid: number;
  high: number;
}

export interface Course {
  unit: string;
  name: string;
  zone: string;
  toward: string;
  now: string;
  since: string | null;
  low: number;
  high: number;
  show_min: boolean;
  show_max: boolean;
  threshold: number | null;
  crossing: { p10: string | null; p50: string | null; p90: string | null } | null;
  with: { column: string; name: string; unit: string }[];
  points: Point[];
}

type Pair = [number | string, number | null];
type Side = "min" | "max";

// broken is a line that stops where an epoch ends.
function broken(points: Point[], of: (p: Point) => number | null): Pair[] {
  const out: Pair[] = [];
  let epoch: number | undefined;
  for (const p of points) {
    if (epoch !== undefined && p.epoch !== epoch) out.push([p.t, null]);
    epoch = p.epoch;
    out.push([p.t, of(p)]);
  }
  return out;
}

export function figure(v: number | null): string {
  if (v === null) return "–";
  return Math.abs(v) >= 1000 ? String(Math.round(v)) : String(Number(v.toPrecision(3))).replace("-", "−");
}

// end is the right edge of the time axis.
export function end(c: Course): string {
  const late = [c.now, c.crossing?.p90 ?? c.crossing?.p50 ?? c.crossing?.p10 ?? c.now, c.points.at(-1)?.at ?? c.now];
  const first = Date.parse(c.points[0]?.at ?? c.now);
  const now = Date.parse(c.now);
  const most = now + Math.max(30 * 86_400_000, (now - first) / 2);
  return new Date(Math.min(most, Math.max(...late.map((t) => Date.parse(t))) + 86_400_000)).toISOString();
}

// stretches are the spans of time over which a limit stayed the same.
function stretches(c: Course, side: Side): { from: string; to: string; limit: number }[] {
  const out: { from: string; to: string; limit: number }[] = [];
  for (const p of c.points) {
    const v = p[side];
    const last = out.at(-1);
    if (last) last.to = p.at;
    if (v !== null && v !== last?.limit) out.push({ from: p.at, to: p.at, limit: v });
  }
  const last = out.at(-1);
  if (last) last.to = end(c);
  return out;
}

export function course(c: Course, peers: Week[], stage: HTMLElement): Option {
  const css = getComputedStyle(stage);
  const ink = (name: string): string => css.getPropertyValue("--" + name).trim();
  const narrow = stage.clientWidth < 560;
  const day = new Intl.DateTimeFormat("en-GB", { timeZone: c.zone, day: "numeric", month: "short" });
  const moment = new Intl.DateTimeFormat("en-GB", { timeZone: c.zone, dateStyle: "medium", timeStyle: "short" });
  const newest = c.points.at(-1);
  const dense = c.points.length > 2000;
  const series: (LineSeriesOption | ScatterSeriesOption)[] = behind(peers, ink, c.points[0]?.t ?? 0, Date.parse(c.now));
  const label = { color: ink("soft"), fontSize: 11 };

  const band = (name: string, of: (p: Point) => number | null, opacity: number): LineSeriesOption => ({
    type: "line", id: name, name, stack: "band", stackStrategy: "all", symbol: "none", silent: true, lineStyle: { opacity: 0 },
    areaStyle: { color: ink("band"), opacity }, data: broken(c.points, of), z: 1, tooltip: { show: false },
  });
  series.push(band("healthy level, lower", (p) => (p.baseline === null || p.spread === null ? null : p.baseline - 2 * p.spread), 0));
  series.push(band("healthy level", (p) => (p.baseline === null || p.spread === null ? null : 4 * p.spread), 1));

  const sides: Side[] = [];
  if (c.show_min) sides.push("min");
  if (c.show_max) sides.push("max");
  for (const side of sides) {
    const parts = stretches(c, side);
    series.push({
      type: "line", id: side, name: side === "max" ? "at most" : "at least", step: "end", symbol: "none", silent: true, z: 3,
      lineStyle: { color: ink("limit"), width: 2 },
      data: parts.flatMap((p): Pair[] => [[p.from, p.limit], [p.to, p.limit]]),
      endLabel: { show: true, formatter: (side === "max" ? "at most " : "at least ") + figure(parts.at(-1)?.limit ?? null), color: ink("limit"), fontSize: 11, align: "right", offset: [-8, side === "max" ? 11 : -11] },
      markArea: {
        silent: true, itemStyle: { color: ink("bad"), opacity: 0.75 },
        data: parts.map((p) => [{ coord: [p.from, p.limit] }, { coord: [p.to, side === "max" ? c.high : c.low] }]),
      },
    });
  }

  const epochs = c.points.filter((p, i) => i > 0 && p.epoch !== c.points[i - 1]?.epoch);
  series.push({
    type: "line", id: "reading", name: "reading", symbol: dense ? "none" : "circle", symbolSize: c.points.length > 400 ? 3 : 5, z: 4,
    lineStyle: { color: ink("trend"), width: dense ? 0.8 : 1.4 }, itemStyle: { color: ink("trend") },
    data: broken(c.points, (p) => p.value),
    markLine: {
      silent: true, symbol: "none", label: { ...label, position: "insideEndTop", distance: 2, rotate: 0 },
      data: [
        ...epochs.map((p) => ({ xAxis: p.at, lineStyle: { color: ink("soft"), type: "dotted" as const }, label: { formatter: "epoch " + p.epoch, position: "start" as const, distance: -16 } })),
        ...c.points.filter((p, i) => p.restart && p.epoch === c.points[i - 1]?.epoch).map((p) => ({ xAxis: p.at, lineStyle: { color: ink("soft"), type: "dotted" as const, opacity: 0.7 }, label: { show: false } })),
        { xAxis: c.now, lineStyle: { color: ink("soft"), type: "solid" as const }, label: { formatter: "now", position: "end" as const } },
        ...(c.since
          ? [{ xAxis: c.since, lineStyle: { color: ink("since"), type: "dashed" as const, width: 1.6 }, label: { formatter: "change no later than " + day.format(new Date(c.since)), color: ink("since"), position: "end" as const, align: "right" as const } }]
          : []),
      ],
    },
  });
  if (dense)
    series.push({ type: "scatter", id: "results", name: "results", large: true, largeThreshold: 1, symbolSize: 2, itemStyle: { color: ink("trend") }, z: 4, tooltip: { show: false }, data: c.points.map((p): Pair => [p.t, p.value]) });
  series.push({
    type: "scatter", id: "failed", name: "failed", symbol: "path://M0 2L2 0L5 3L8 0L10 2L7 5L10 8L8 10L5 7L2 10L0 8L3 5Z", symbolSize: 10, z: 5,
    itemStyle: { color: ink("limit") }, data: c.points.filter((p) => p.failed).map((p): Pair => [p.at, p.value]), tooltip: { show: false },
  });

  const limit = newest && (c.toward === "min" ? newest.min ?? newest.max : newest.max ?? newest.min);
  if (c.crossing?.p10 && limit !== undefined && limit !== null) {
    const late = c.crossing.p90 ?? end(c);
    series.push({
      type: "line", id: "reach", name: "likely to reach the limit", symbol: "none", silent: true, z: 5,
      lineStyle: { color: ink("since"), width: 9, opacity: 0.45 }, data: [[c.crossing.p10, limit], [late, limit]],
    });
    if (newest)
      for (const [i, to] of [c.crossing.p10, late].entries())
        series.push({ type: "line", id: "fan-" + i, symbol: "none", silent: true, z: 2, lineStyle: { color: ink("since"), width: 1, type: "dashed", opacity: 0.6 }, data: [[newest.at, newest.value], [to, limit]], tooltip: { show: false } });
    if (c.crossing.p50)
      series.push({ type: "scatter", id: "middle", name: "middle of the forecast", symbol: "diamond", symbolSize: 13, silent: true, z: 6, itemStyle: { color: ink("since") }, data: [[c.crossing.p50, limit]] });
  }

  series.push({
    type: "line", id: "score", name: "score", xAxisIndex: 1, yAxisIndex: 1, symbol: "none", lineStyle: { color: ink("trend"), width: 1.4 },
    data: broken(c.points, (p) => p.score),
    markLine: {
      silent: true, symbol: "none",
      data: c.threshold === null ? [] : [{ yAxis: c.threshold, lineStyle: { color: ink("limit"), type: "dashed", width: 1.5 }, label: { ...label, color: ink("limit"), formatter: "alarm line " + figure(c.threshold), position: "insideEndTop" } }],
    },
  });

  series.push(...conditions(c, ink));

  const grids = places(c.with.length);
  const all = grids.map((_, i) => i);
  const time = (gridIndex: number, labels: boolean): Option["xAxis"] => ({
    type: "time", id: "time-" + gridIndex, gridIndex, min: c.points[0]?.at ?? c.now, max: end(c),
    axisLine: { lineStyle: { color: ink("rule-strong") } }, axisTick: { show: labels },
    axisLabel: { show: labels, color: ink("soft"), hideOverlap: true, formatter: (v: number) => day.format(new Date(v)) },
    splitLine: { show: true, lineStyle: { color: ink("rule"), width: 0.7 } }, splitNumber: narrow ? 3 : 7,
    axisPointer: { show: true, label: { show: false }, lineStyle: { color: ink("soft") } },
  });
  const value = (gridIndex: number, name: string, min: number | undefined, max: number | undefined, splits: number): Option["yAxis"] => ({
    type: "value", id: "value-" + gridIndex, gridIndex, name, min, max, splitNumber: splits, nameTextStyle: { ...label, align: "left", padding: [0, 0, 0, 16 - left] },
    axisLabel: { ...label, showMinLabel: false, showMaxLabel: false, formatter: (v: number) => figure(v) }, splitLine: { lineStyle: { color: ink("rule"), width: 0.7 } },
  });

  return {
    animation: false,
    useUTC: true,
    textStyle: { fontFamily: css.fontFamily },
    aria: {
      enabled: true,
      label: {
        description: `${c.name}: ${c.points.length} fresh results` +
          (newest ? `, the newest ${figure(newest.value)} ${c.unit}, limit ${figure(limit ?? null)} ${c.unit}` : "") +
          ". The same numbers are in the table of readings below.",
      },
    },
    grid: grids.map((g, i) => ({ id: "grid-" + i, ...g })),
    xAxis: all.map((i) => time(i, i === grids.length - 1)) as Option["xAxis"],
    yAxis: [value(0, c.unit, c.low, c.high, 5), value(1, "score", 0, c.threshold === null ? undefined : Math.ceil(Math.max(c.threshold * 1.25, c.points.reduce((most, p) => Math.max(most, p.score ?? 0), 0))), 2),
      ...c.with.map((q, k) => ({ ...(value(2 + k, q.name + (q.unit ? ", " + q.unit : "") + (c.points.some((p) => typeof p.with?.[k] === "number") ? "" : ": not read with these results"), undefined, undefined, 2) as object), scale: true }))] as Option["yAxis"],
    dataZoom: [
      { type: "slider", id: "slider", filterMode: "none", xAxisIndex: all, bottom: 4, height: 18, borderColor: ink("rule-strong"), textStyle: label, labelFormatter: (v: number) => day.format(new Date(v)), brushSelect: false },
      { type: "inside", id: "inside", filterMode: "none", xAxisIndex: all, zoomOnMouseWheel: "ctrl", moveOnMouseWheel: false },
    ],
    tooltip: {
      trigger: "axis", backgroundColor: ink("card"), borderColor: ink("rule-strong"), textStyle: { color: ink("ink") }, confine: true,
      axisPointer: { type: "line", link: [{ xAxisIndex: "all" }] } as never,
      formatter: (hit) => tip(c, hit, moment),
    },
    series,
  };
}

// tip is the hover text: built as elements, so that no text is ever read as markup.
function tip(c: Course, hit: unknown, moment: Intl.DateTimeFormat): HTMLElement {
  const box = document.createElement("div");
  box.className = "chart-tip";
  const first = (Array.isArray(hit) ? hit[0] : hit) as { axisValue?: number } | undefined;
  const at = Number(first?.axisValue);
  const nearest = closest(c.points, at);
  if (!nearest) return box;
  const row = (words: string): void => {
    const p = document.createElement("p");
    p.textContent = words;
    box.append(p);
  };
  const unit = c.unit ? " " + c.unit : "";
  row(moment.format(new Date(nearest.at)) + " (" + c.zone + ")");
  row("value " + figure(nearest.value) + unit + (nearest.failed ? ", failed" : ""));
  if (nearest.min !== null) row("at least " + figure(nearest.min) + unit);
  if (nearest.max !== null) row("at most " + figure(nearest.max) + unit);
  if (nearest.margin !== null) row("margin " + Math.round(nearest.margin * 100) + " %");
  row("healthy level " + (nearest.baseline === null ? "being learned" : figure(nearest.baseline) + " ± " + figure(nearest.spread)));
  row("score " + figure(nearest.score));
  if (nearest.restart) row(nearest.restart);
  c.with.forEach((q, k) => row(q.name + " " + figure(nearest.with?.[k] ?? null) + (q.unit ? " " + q.unit : "")));
  return box;
}

// closest is the point next to a moment; points are in the order of time.
function closest(points: Point[], at: number): Point | undefined {
  let low = 0;
  let high = points.length - 1;
  while (low < high) {
    const mid = (low + high) >> 1;
    if ((points[mid]?.t ?? 0) < at) low = mid + 1;
    else high = mid;
  }
  const after = points[low];
  const before = points[low - 1];
  return before && after && at - before.t < after.t - at ? before : after;
}

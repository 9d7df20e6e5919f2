// Bundles src/main.ts into dist/: a small entry for every page and the chart as a chunk of its own, loaded
// only where there is a chart. Licences of what is inside go into *.LEGAL.txt beside it.
import { build } from "esbuild";
import { readdirSync, readFileSync, rmSync } from "node:fs";
import { gzipSync } from "node:zlib";

const budget = 300 * 1024; // of all scripts a page may load, compressed

for (const name of readdirSync("dist")) if (name !== ".keep") rmSync("dist/" + name, { recursive: true });
await build({
  entryPoints: { main: "src/main.ts" },
  outdir: "dist",
  bundle: true,
  minify: true,
  splitting: true,
  format: "esm",
  target: "es2022",
  chunkNames: "[name]-[hash]",
  legalComments: "linked",
  logLevel: "warning",
});
await build({ entryPoints: ["src/sw.ts"], outfile: "dist/sw.js", bundle: true, minify: true, format: "iife", target: "es2022", logLevel: "warning" });
const size = readdirSync("dist")
  .filter((name) => name.endsWith(".js"))
  .reduce((sum, name) => sum + gzipSync(readFileSync("dist/" + name), { level: 9 }).length, 0);
console.log(`dist: ${Math.ceil(size / 1024)} kB of script, compressed`);
if (size > budget) {
  console.error(`dist: more than the budget of ${budget / 1024} kB`);
  process.exit(1);
}

// Bundles the page: `npm run build` writes built/, `npm test` bundles and runs the tests, `npm run watch` rebuilds.
import { spawnSync } from "node:child_process";
import { createHash } from "node:crypto";
import { existsSync, mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { dirname, join, relative, resolve } from "node:path";
import { fileURLToPath } from "node:url";
import * as esbuild from "esbuild";

const HERE = dirname(fileURLToPath(import.meta.url));
const OUT = join(HERE, "built");
const BUILT = ["index.html", "app.js", "app.css", "app.js.LEGAL.txt"];
const COMMON = { bundle: true, charset: "utf8", target: "es2022", logLevel: "warning", legalComments: "none" };

/** `import text from "worker:./x.ts"` gives the bundled worker as text: no second file to serve or to embed. */
const workers = {
  name: "workers",
  setup(build) {
    build.onResolve({ filter: /^worker:/ }, (args) => ({
      path: resolve(args.resolveDir, args.path.slice("worker:".length)),
      namespace: "worker",
    }));
    build.onLoad({ filter: /.*/, namespace: "worker" }, async (args) => {
      const made = await esbuild.build({
        ...COMMON, entryPoints: [args.path], minify: true, format: "iife", write: false, metafile: true,
      });
      for (const input of Object.keys(made.metafile.inputs)) used.add(input);
      return {
        contents: made.outputFiles[0].text,
        loader: "text",
        watchFiles: Object.keys(made.metafile.inputs).map((file) => resolve(file)),
      };
    });
  },
};
const used = new Set();

function sha256(file) {
  return createHash("sha256").update(readFileSync(file)).digest("hex");
}

function filesUnder(folder) {
  return readdirSync(folder, { withFileTypes: true })
    .flatMap((entry) => (entry.isDirectory() ? filesUnder(join(folder, entry.name)) : [join(folder, entry.name)]));
}

/** The licences of every package of which something is in the bundle, in full. */
function legal(inputs) {
  const folders = new Set();
  for (const input of inputs) {
    const match = /^(.*node_modules\/(?:@[^/]+\/)?[^/]+)\//.exec(input);
    if (match) folders.add(resolve(match[1]));
  }
  return [...folders].sort().map((folder) => {
    const about = JSON.parse(readFileSync(join(folder, "package.json"), "utf8"));
    const file = readdirSync(folder).find((name) => /^licen[cs]e/i.test(name));
    if (!file) throw new Error(`${about.name} has no licence file: add its text by hand`);
    return `${about.name} ${about.version} (${about.license})\n\n${readFileSync(join(folder, file), "utf8").trim()}\n`;
  }).join("\n----------------------------------------------------------------\n\n");
}

async function bundle() {
  used.clear();
  const made = await esbuild.build({
    ...COMMON, entryPoints: [join(HERE, "src/main.ts")], outfile: join(OUT, "app.js"),
    minify: true, format: "iife", metafile: true, plugins: [workers], absWorkingDir: HERE,
  });
  for (const input of Object.keys(made.metafile.inputs)) used.add(input);
  const style = await esbuild.build({
    ...COMMON, entryPoints: [join(HERE, "src/app.css")], minify: true, write: false, absWorkingDir: HERE,
  });
  mkdirSync(OUT, { recursive: true });
  writeFileSync(join(OUT, "app.css"), style.outputFiles[0].text);
  writeFileSync(join(OUT, "index.html"), readFileSync(join(HERE, "src/index.html")));
  writeFileSync(join(OUT, "app.js.LEGAL.txt"), legal(used));
  const sources = [...filesUnder(join(HERE, "src")), ...["package.json", "package-lock.json", "build.mjs", "tsconfig.json"]
    .map((name) => join(HERE, name))].map((file) => relative(HERE, file));
  const listed = [...sources.sort(), ...BUILT.map((name) => `built/${name}`)];
  writeFileSync(join(OUT, "sources.sha256"), listed.map((name) => `${sha256(join(HERE, name))}  ${name}\n`).join(""));
  for (const name of BUILT) {
    console.log(`${String(readFileSync(join(OUT, name)).length).padStart(9)}  built/${name}`);
  }
}

async function tests() {
  const folder = mkdtempSync(join(tmpdir(), "page-tests-"));
  try {
    const entries = filesUnder(join(HERE, "tests")).filter((file) => file.endsWith(".test.ts"));
    await esbuild.build({
      ...COMMON, entryPoints: entries, outdir: folder, outExtension: { ".js": ".mjs" }, format: "esm", platform: "node",
      sourcemap: "inline", plugins: [workers], absWorkingDir: HERE,
    });
    const made = filesUnder(folder).filter((file) => file.endsWith(".mjs"));
    const ran = spawnSync(process.execPath, ["--enable-source-maps", "--test", ...made], { stdio: "inherit" });
    process.exitCode = ran.status ?? 1;
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}

if (process.argv.includes("--tests")) {
  await tests();
} else if (process.argv.includes("--harness")) {
  // the scene alone, without panels: for tests/scene_harness.ts
  const out = process.argv[process.argv.indexOf("--harness") + 1];
  await esbuild.build({
    ...COMMON, entryPoints: [join(HERE, "tests/scene_harness.ts")], outfile: join(out, "app.js"),
    minify: true, format: "esm", plugins: [workers], absWorkingDir: HERE,
  });
} else {
  for (const name of ["src/main.ts", "src/app.css", "src/index.html"]) {
    if (!existsSync(join(HERE, name))) throw new Error(`${name} is missing`);
  }
  await bundle();
  if (process.argv.includes("--watch")) {
    const { watch } = await import("node:fs");
    let waiting = null;
    watch(join(HERE, "src"), { recursive: true }, () => {
      clearTimeout(waiting);
      waiting = setTimeout(() => bundle().catch((error) => console.error(error.message)), 100);
    });
    console.log("watching src/");
  }
}

// Opens published pages in Chromium, from disk: what they say to the console, whether they ask for
// anything beyond their folder, whether axe-core finds a barrier, whether they fit on a phone and
// on paper, and whether the list of jobs obeys the keyboard.
//
// node pages.mjs OUTBOX [--chromium FILE] [--shots FOLDER]
//
// axe-core's rules: WCAG 2.0 to 2.2, levels A and AA (https://www.w3.org/TR/WCAG22/).

import { existsSync, mkdirSync, readFileSync, readdirSync } from "node:fs";
import { createRequire } from "node:module";
import { join, resolve } from "node:path";
import { pathToFileURL } from "node:url";
import { chromium } from "playwright-core";

const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];
const SIZES = { desk: { width: 1200, height: 900 }, phone: { width: 360, height: 740 } };

const words = process.argv.slice(2);
const option = (name) => {
  const at = words.indexOf(name);
  return at < 0 ? undefined : words.splice(at, 2)[1];
};
const shots = option("--shots");
const program =
  option("--chromium") ??
  ["/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome"].find(existsSync);
const outbox = words[0] && resolve(words[0]);
if (!outbox || !program) {
  console.error("usage: node pages.mjs OUTBOX [--chromium FILE] [--shots FOLDER]");
  process.exit(2);
}
if (shots) mkdirSync(shots, { recursive: true });

const wrong = [];
const check = (good, what) => {
  if (!good) wrong.push(what);
};

const browser = await chromium.launch({ executablePath: program, args: ["--no-sandbox"] });

/** Opens a page of the outbox and watches what it does. */
async function open(file, { size = "desk", scheme = "light" } = {}) {
  const context = await browser.newContext({ viewport: SIZES[size], colorScheme: scheme });
  const page = await context.newPage();
  const name = `${file} (${size}, ${scheme})`;
  page.on("console", (m) => {
    if (["error", "warning"].includes(m.type())) wrong.push(`${name}: console: ${m.text()}`);
  });
  page.on("pageerror", (e) => wrong.push(`${name}: script: ${e.message}`));
  const home = pathToFileURL(outbox).href;
  page.on("request", (r) => {
    const url = r.url();
    if (!url.startsWith(home) && !url.startsWith("data:")) wrong.push(`${name}: asked for ${url}`);
  });
  page.on("requestfailed", (r) => wrong.push(`${name}: not there: ${r.url()}`));
  await page.goto(pathToFileURL(join(outbox, file)).href);
  return { page, name, close: () => context.close() };
}

async function accessible(page, name) {
  await page.evaluate(axe);
  const found = await page.evaluate(
    (rules) => globalThis.axe.run({ runOnly: { type: "tag", values: rules } }),
    RULES,
  );
  for (const v of found.violations) {
    wrong.push(`${name}: axe ${v.id}: ${v.help}: ${v.nodes.map((n) => n.target).join(" ")}`);
  }
}

/** Everything that holds for every page. */
async function sound(file) {
  for (const size of Object.keys(SIZES)) {
    for (const scheme of ["light", "dark"]) {
      const { page, name, close } = await open(file, { size, scheme });
      const wider = await page.evaluate(
        () => document.documentElement.scrollWidth - document.documentElement.clientWidth,
      );
      check(wider <= 0, `${name}: ${wider} px wider than the screen`);
      check((await page.title()).length > 0, `${name}: no title`);
      const broken = await page.$$eval("img", (all) =>
        all.filter((i) => i.loading !== "lazy" && i.naturalWidth === 0).map((i) => i.alt),
      );
      check(broken.length === 0, `${name}: pictures missing: ${broken}`);
      await accessible(page, name);
      if (shots) {
        const shot = `${file.replaceAll("/", "_")}-${size}-${scheme}.png`;
        await page.screenshot({ path: join(shots, shot), fullPage: true });
      }
      await close();
    }
  }
  const { page, name, close } = await open(file);
  await page.emulateMedia({ media: "print" });
  const skip = page.locator(".skip");
  check(!(await skip.isVisible()), `${name}: the skip link is printed`);
  const pdf = await page.pdf({ format: "A4", path: shots && join(shots, `${file.replaceAll("/", "_")}.pdf`) });
  const pages = pdf.toString("latin1").match(/\/Type\s*\/Page\b/g)?.length ?? 0;
  check(pages >= 1 && pages <= 60, `${name}: ${pages} pages in print`);
  await close();
}

/** The skip link comes first, and every link leads somewhere. */
async function keyboard(file) {
  const { page, name, close } = await open(file);
  await page.keyboard.press("Tab");
  const first = await page.evaluate(() => document.activeElement?.className);
  check(first === "skip", `${name}: the first stop is not the skip link`);
  const links = await page.$$eval("a[href]", (all) => all.map((a) => a.href));
  for (const link of links.filter((l) => l.startsWith("file:") && !l.includes("#"))) {
    check(existsSync(new URL(link)), `${name}: the link ${link} leads nowhere`);
  }
  await close();
}

/** Search, filter and sort, by keyboard alone. */
async function list(jobs) {
  const { page, name, close } = await open("index.html");
  const shown = () => page.$$eval("#jobs > li", (all) => all.filter((l) => !l.hidden).length);
  const titles = () =>
    page.$$eval("#jobs > li .title", (all) => all.map((t) => t.textContent));
  const count = () => page.locator("#count").textContent();
  const reach = async (selector) => {
    for (let k = 0; k < 40; k += 1) {
      await page.keyboard.press("Tab");
      if (await page.evaluate((s) => document.activeElement?.matches(s), selector)) return;
    }
    wrong.push(`${name}: ${selector} cannot be reached by Tab`);
  };
  check((await shown()) === jobs, `${name}: ${await shown()} of ${jobs} jobs shown at first`);

  const [word] = (await titles())[0].split(/[\s,]+/);
  await reach("#words");
  await page.keyboard.type(`${word} nosuchword`);
  await page.waitForFunction(() => document.getElementById("count").textContent === "0 shown");
  await page.keyboard.press("Control+A");
  await page.keyboard.type(word);
  await page.waitForFunction(() => document.getElementById("count").textContent !== "0 shown");
  check((await shown()) >= 1, `${name}: searching ${word} finds nothing`);
  await page.keyboard.press("Control+A");
  await page.keyboard.press("Delete");
  await page.waitForFunction((n) => document.getElementById("count").textContent.startsWith(`${n} `), jobs);

  await reach("input[name=verdict]");
  const verdict = await page.evaluate(() => document.activeElement.value);
  const of = await page.$$eval("#jobs > li", (all, v) => all.filter((l) => l.dataset.verdict === v).length, verdict);
  await page.keyboard.press("Space");
  check((await shown()) === jobs - of, `${name}: unticking ${verdict} leaves ${await count()}`);
  await page.keyboard.press("Space");

  const newest = await titles();
  await reach("#order");
  await page.keyboard.press("ArrowDown");
  const oldest = await titles();
  check(
    JSON.stringify(oldest) === JSON.stringify([...newest].reverse()),
    `${name}: oldest first is not newest first turned round`,
  );
  await reach("#jobs a");
  await page.keyboard.press("Enter");
  await page.waitForURL(/report\.html$/);
  await close();
}

const reports = readdirSync(outbox, { withFileTypes: true })
  .filter((e) => e.isDirectory() && existsSync(join(outbox, e.name, "report.html")))
  .map((e) => `${e.name}/report.html`);
const pages = ["index.html", "fit-log.html", ...reports];
for (const file of pages) {
  await sound(file);
  await keyboard(file);
}
await list(reports.length);
await browser.close();

for (const words of wrong) console.log(words);
console.log(`${pages.length} pages looked at, ${wrong.length ? `${wrong.length} problems` : "no problem"}`);
process.exit(wrong.length ? 1 : 0);

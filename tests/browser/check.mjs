// Opens report pages in headless Chromium with the network shut and prints what is wrong,
// one problem per line. Arguments: path of Chromium, folder for scratch files, pages as
// KIND=PATH, where the kind is run, table, comparison, check, match or batch.
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { join } from "node:path";
import { pathToFileURL } from "node:url";
import { chromium } from "playwright-core";

const [executablePath, scratch, ...named] = process.argv.slice(2);
const pages = named.map((text, number) => {
  const cut = text.indexOf("=");
  return { kind: text.slice(0, cut), path: text.slice(cut + 1), number };
});
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const WIDTHS = [360, 800, 1600];
const PAPERS = ["A4", "Letter"];
const ROWS_KEPT = 6;
// Pages looked at side by side: one waits for its browser while the other works.
const AT_ONCE = 2;

let problems = 0;
const say = (page, what) => {
  problems += 1;
  console.log(`${page.kind} ${page.path}: ${what}`);
};

// The profile folder is a new, empty one of Playwright's own, taken away afterwards.
const browser = await chromium.launch({
  executablePath,
  headless: true,
  args: [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
  ],
});

async function open(at, options) {
  const context = await browser.newContext({ offline: true, acceptDownloads: true, ...options });
  const page = await context.newPage();
  page.on("console", m => {
    if (["error", "warning"].includes(m.type())) say(at, `console ${m.type()}: ${m.text()}`);
  });
  page.on("pageerror", e => say(at, `script error: ${e.message}`));
  page.on("dialog", d => {
    say(at, `a dialog opened: ${d.message()}`);
    d.dismiss();
  });
  const own = pathToFileURL(at.path).href;
  page.on("request", r => {
    const url = r.url().split("#")[0];
    if (url !== own && !url.startsWith("blob:")) say(at, `request for ${r.url()}`);
  });
  await page.goto(own);
  return { context, page };
}

// Everything a reader needs to see, and whether it stays inside the page.
const layout = () => {
  const wide = document.documentElement.clientWidth;
  const found = [];
  if (document.documentElement.scrollWidth > wide) found.push(`page is ${document.documentElement.scrollWidth} px wide in ${wide}`);
  for (const svg of document.querySelectorAll(".plot svg")) {
    const id = svg.closest("figure").id || "figure";
    const box = svg.getBoundingClientRect();
    if (box.width < 200 || box.height < 100) found.push(`plot ${id} is only ${box.width} by ${box.height}`);
    if (box.left < 0 || box.right > wide + 0.5) found.push(`plot ${id} leaves the page`);
    const texts = [];
    for (const text of svg.querySelectorAll("text")) {
      const t = text.getBoundingClientRect();
      if (t.width === 0) continue;
      if (t.left < -0.5 || t.right > wide + 0.5) found.push(`"${text.textContent.trim()}" of ${id} is cut at the page's edge`);
      const size = parseFloat(getComputedStyle(text).fontSize) * (box.width / svg.viewBox.baseVal.width);
      if (size < 8.5) found.push(`"${text.textContent.trim()}" of ${id} is ${size.toFixed(1)} px high`);
      texts.push([t, text.textContent.trim()]);
    }
    texts.forEach(([a, s], i) => {
      for (const [b, t] of texts.slice(i + 1)) {
        const w = Math.min(a.right, b.right) - Math.max(a.left, b.left);
        const h = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
        if (w > 2 && h > 4) found.push(`"${s}" and "${t}" of ${id} cover each other`);
      }
    });
  }
  return found;
};

const plots = page => page.locator(".plot svg").count();
const hasUnits = page => page.locator("#units-us").count();

// Three widths in both unit systems; axe narrow and light, wide and dark: its rules look at
// colours and at what scrolls, and these two have both.
async function screens(at) {
  const { context, page } = await open(at, { viewport: { width: WIDTHS[0], height: 900 }, colorScheme: "light" });
  if ((await plots(page)) === 0) say(at, "no plot");
  const scripts = await page.locator("script").count();
  if (scripts !== 1) say(at, `${scripts} scripts`);
  const started = await page.evaluate(() => document.documentElement.classList.contains("scripted"));
  if (!started) say(at, "the page's own script did not run");
  for (const width of WIDTHS) {
    await page.setViewportSize({ width, height: 900 });
    for (const what of await page.evaluate(layout)) say(at, `${width} px: ${what}`);
    if (await hasUnits(page)) {
      const before = await page.evaluate(() => document.querySelector("input[name=units]:checked").id);
      const other = before === "units-us" ? "units-si" : "units-us";
      await page.evaluate(id => document.getElementById(id).click(), other);
      for (const what of await page.evaluate(layout)) say(at, `${width} px, ${other}: ${what}`);
      await page.evaluate(id => document.getElementById(id).click(), before);
    }
  }
  await page.evaluate(axe);
  // Rows of a table are all made alike; a few of each stand for the thousands.
  await page.evaluate(rows => {
    document.querySelectorAll("details").forEach(d => (d.open = true));
    document.querySelectorAll("tbody").forEach(body => Array.from(body.rows).slice(rows).forEach(row => row.remove()));
  }, ROWS_KEPT);
  for (const [width, colorScheme] of [
    [WIDTHS[0], "light"],
    [WIDTHS[2], "dark"],
  ]) {
    await page.setViewportSize({ width, height: 900 });
    await page.emulateMedia({ colorScheme });
    const { violations, passes } = await page.evaluate(() => window.axe.run(document, { resultTypes: ["violations"] }));
    if (passes.length === 0) say(at, "axe checked nothing");
    for (const v of violations) {
      const line = `axe ${v.impact} ${v.id} (${v.nodes.length}): ${v.help}; ${v.nodes[0].target} ${v.nodes[0].failureSummary}`;
      if (["serious", "critical"].includes(v.impact)) say(at, `${width} px ${colorScheme}: ${line}`);
      else console.error(`note: ${at.path}: ${line}`);
    }
  }
  await context.close();
}

async function withoutScript(at) {
  const { context, page } = await open(at, { javaScriptEnabled: false, viewport: { width: 1024, height: 900 } });
  // Page functions still work: only the page's own scripts are off.
  for (const what of await page.evaluate(layout)) say(at, `no script: ${what}`);
  const hidden = await page.evaluate(() =>
    Array.from(document.querySelectorAll("h1, h2, figure, figcaption, .plot svg, summary, .verdict, .caution, dd b"))
      .filter(e => e.getClientRects().length === 0)
      .map(e => e.tagName + " " + e.textContent.slice(0, 40)),
  );
  for (const what of hidden) say(at, `no script: not shown: ${what}`);
  if (await hasUnits(page)) {
    await page.locator("label[for=units-us]").click();
    // What was read and assumed keeps the units it was noted in, and says so.
    const us = await page.evaluate(() => {
      document.getElementById("reading")?.remove();
      return document.body.innerText;
    });
    if (!/in\/s|lbf/.test(us) || / N·s\/m|\d m\/s/.test(us)) {
      const left = us.match(/.{0,60}( N·s\/m|\d m\/s).{0,20}/);
      say(at, `no script: the US switch does not work: ${left ? left[0] : "no US unit"}`);
    }
  }
  await context.close();
}

// Two links mark top and bottom of every figure; links stay readable in the PDF, page by page.
async function print(at) {
  const { context, page } = await open(at, { viewport: { width: 688, height: 900 } });
  const count = await page.evaluate(() => {
    const figures = Array.from(document.querySelectorAll("figure"));
    figures.forEach((figure, i) => {
      for (const [end, add] of [
        ["top", "prepend"],
        ["end", "append"],
      ]) {
        const link = document.createElement("a");
        link.href = `https://mark.invalid/${end}/${i}/`;
        link.textContent = ".";
        figure[add](link);
      }
    });
    return figures.length;
  });
  // The text column of A4 between the page's own margins, as it is set for print.
  await page.emulateMedia({ media: "print" });
  for (const what of await page.evaluate(layout)) say(at, `print: ${what}`);
  await page.emulateMedia({ media: null });
  for (const format of PAPERS) {
    const path = join(scratch, `print-${at.number}-${format}.pdf`);
    const pdf = await page.pdf({ format, path, preferCSSPageSize: false, printBackground: true });
    const text = pdf.toString("latin1");
    const objects = new Map();
    for (const m of text.matchAll(/(\d+) 0 obj\s*([\s\S]*?)endobj/g)) objects.set(m[1], m[2]);
    const place = new Map();
    let sheets = 0;
    for (const body of objects.values()) {
      if (!/\/Type\s*\/Page\b/.test(body)) continue;
      sheets += 1;
      let annots = body.match(/\/Annots\s*\[([^\]]*)\]/)?.[1] ?? "";
      const far = body.match(/\/Annots\s+(\d+) 0 R/);
      if (far) annots = objects.get(far[1]) ?? "";
      for (const ref of annots.matchAll(/(\d+) 0 R/g)) {
        const mark = (objects.get(ref[1]) ?? "").match(/mark\.invalid\/(top|end)\/(\d+)\//);
        if (mark) place.set(mark[1] + mark[2], sheets);
      }
    }
    for (let i = 0; i < count; i++) {
      const [top, end] = [place.get(`top${i}`), place.get(`end${i}`)];
      if (top === undefined || end === undefined) say(at, `${format}: figure ${i} is not in the print`);
      else if (top !== end) say(at, `${format}: figure ${i} is cut: page ${top} to ${end}`);
    }
  }
  await context.close();
}

// Reads values off a figure by pointer and keys, switches units and lines.
async function readOff(at, page, id) {
  const read = () => page.locator(`#${id} output`).textContent();
  const before = await read();
  await page.locator(`#${id} .plot svg`).hover({ position: { x: 300, y: 120 } });
  const hovered = await read();
  if (hovered === before || !/(m|in)\/s/.test(hovered)) say(at, `hover reads nothing off: ${hovered}`);
  await page.locator(`#${id} input[type=range]`).focus();
  await page.keyboard.press("Home");
  const first = await read();
  await page.keyboard.press("ArrowRight");
  const second = await read();
  if (first === second) say(at, "arrow keys read nothing off");
  await page.locator("label[for=units-si]").click();
  if (!/m\/s/.test(await read())) say(at, `the read-out is not in SI: ${await read()}`);
  await page.locator("#units-si").focus();
  await page.keyboard.press("ArrowRight");
  if (!/lbf/.test(await read())) say(at, `the read-out does not follow the units: ${await read()}`);
  await page.locator("label[for=units-si]").click();
  const box = page.locator(`#${id} [data-toggle]`).first();
  await box.uncheck();
  const hidden = await page.locator(`#${id} [data-layer][hidden]`).count();
  if (hidden === 0) say(at, "a legend entry does not toggle");
  await box.check();
}

async function savesTable(at, page, id, heading) {
  await page.locator(`#${id} summary`).click();
  const [download] = await Promise.all([page.waitForEvent("download"), page.locator(`#${id}`).getByText("Save as CSV").click()]);
  const file = join(scratch, `saved-${at.number}.csv`);
  await download.saveAs(file);
  const csv = readFileSync(file, "utf8");
  if (!csv.startsWith("\ufeff") || !heading.test(csv) || csv.split("\r\n").length < 4) say(at, `odd CSV: ${csv.slice(0, 80)}`);
  if (/^[=+@]|,[=+@]/m.test(csv.slice(1))) say(at, "the CSV holds a formula");
}

// What can be done with each kind of page, by hand.
const hands = {
  async run(at, page) {
    await readOff(at, page, "force-speed");
    if (await page.locator("[data-picker]").count()) {
      const all = await page.locator("#force-travel [data-layer]:not([hidden])").count();
      await page.locator("[data-picker]").selectOption({ index: 1 });
      const one = await page.locator("#force-travel [data-layer]:not([hidden])").count();
      if (one >= all) say(at, `the picker shows ${one} of ${all}`);
    }
    await savesTable(at, page, "force-speed", /Speed, m\/s/);
  },
  async table(at, page) {
    await hands.run(at, page);
  },
  async comparison(at, page) {
    await readOff(at, page, "curves");
    await savesTable(at, page, "curves", /Speed, m\/s/);
  },
  async check(at, page) {
    await readOff(at, page, "within-limits");
    await savesTable(at, page, "within-limits", /Speed, m\/s/);
    const lines = await page.locator(".signoff div").count();
    if (lines !== 3) say(at, `${lines} lines to sign on`);
  },
  async match(at, page) {
    await savesTable(at, page, "mismatches", /Mismatch/);
  },
  async batch(at, page) {
    const names = () => page.locator("#list tbody tr:visible td:first-child b").allTextContents();
    const before = await names();
    await page.locator("#list th button").first().click();
    const sorted = await names();
    const wanted = [...before].sort((a, b) => a.localeCompare(b, undefined, { numeric: true }));
    if (sorted.join("|") !== wanted.join("|")) say(at, `the list does not sort: ${sorted}`);
    await page.locator("#list th button").first().focus();
    await page.keyboard.press("Enter");
    if ((await names())[0] === sorted[0]) say(at, "the list does not sort by keyboard");
    await page.locator("#sieve").fill(before[0].slice(0, 6));
    const sieved = await names();
    if (sieved.length === 0 || sieved.length >= before.length) say(at, `the sieve leaves ${sieved.length} of ${before.length}`);
  },
};

async function look(at) {
  const begun = Date.now();
  const past = [];
  const part = async (name, work) => {
    const from = Date.now();
    await work();
    past.push(`${name} ${((Date.now() - from) / 1000).toFixed(1)}`);
  };
  await part("screens", () => screens(at));
  await part("no script", () => withoutScript(at));
  await part("print", () => print(at));
  await part("hands", async () => {
    const { context, page } = await open(at, { viewport: { width: 1200, height: 900 } });
    page.setDefaultTimeout(15000);
    await hands[at.kind](at, page);
    await context.close();
  });
  console.error(`${at.kind} ${at.path}: ${((Date.now() - begun) / 1000).toFixed(1)} s (${past.join(", ")})`);
}

const waiting = [...pages];
const worker = async () => {
  for (let at = waiting.shift(); at; at = waiting.shift()) {
    try {
      await look(at);
    } catch (error) {
      say(at, `the checks could not be finished: ${error.message}`);
    }
  }
};
await Promise.all(Array.from({ length: AT_ONCE }, worker));
await browser.close();
console.log(problems === 0 ? `checked ${pages.length} pages` : `${problems} problems`);
process.exit(problems === 0 ? 0 : 1);

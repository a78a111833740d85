// Opens report pages in headless Chromium with the network shut and prints what is wrong,
// one problem per line. Arguments: path of Chromium, folder for scratch files, pages.
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { join } from "node:path";
import { pathToFileURL } from "node:url";
import { chromium } from "playwright-core";

const [executablePath, scratch, ...pages] = process.argv.slice(2);
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const WIDTHS = [360, 800, 1600];
// Paper sizes and margins in CSS px (96 per inch); margins are those of the page's own rules.
const PAPERS = ["A4", "Letter"];

let problems = 0;
const say = (page, what) => {
  problems += 1;
  console.log(`${page}: ${what}`);
};

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

async function open(path, options) {
  const context = await browser.newContext({ offline: true, acceptDownloads: true, ...options });
  const page = await context.newPage();
  page.on("console", m => {
    if (["error", "warning"].includes(m.type())) say(path, `console ${m.type()}: ${m.text()}`);
  });
  page.on("pageerror", e => say(path, `script error: ${e.message}`));
  page.on("dialog", d => {
    say(path, `a dialog opened: ${d.message()}`);
    d.dismiss();
  });
  page.on("request", r => {
    if (r.url() !== pathToFileURL(path).href && !r.url().startsWith("blob:")) say(path, `request for ${r.url()}`);
  });
  await page.goto(pathToFileURL(path).href);
  return { context, page };
}

// Everything a reader needs to see, and whether it stays inside the page.
const layout = () => {
  const wide = document.documentElement.clientWidth;
  const found = [];
  if (document.documentElement.scrollWidth > wide) found.push(`page is ${document.documentElement.scrollWidth} px wide in ${wide}`);
  for (const svg of document.querySelectorAll(".plot svg")) {
    const id = svg.closest("figure").id;
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
  if (document.querySelectorAll(".plot svg").length === 0) found.push("no plot");
  return found;
};

async function screens(path) {
  for (const width of WIDTHS) {
    // Dark colours do not depend on the width.
    for (const colorScheme of width === 800 ? ["light", "dark"] : ["light"]) {
      const { context, page } = await open(path, { viewport: { width, height: 900 }, colorScheme });
      for (const what of await page.evaluate(layout)) say(path, `${width} px: ${what}`);
      await page.evaluate(axe);
      await page.evaluate(() => document.querySelectorAll("details").forEach(d => (d.open = true)));
      const { violations } = await page.evaluate(() => window.axe.run(document, { resultTypes: ["violations"] }));
      for (const v of violations) {
        const line = `axe ${v.impact} ${v.id} (${v.nodes.length}): ${v.help}; ${v.nodes[0].target} ${v.nodes[0].failureSummary}`;
        if (["serious", "critical"].includes(v.impact)) say(path, `${width} px ${colorScheme}: ${line}`);
        else console.error(`note: ${path}: ${line}`);
      }
      await context.close();
    }
  }
}

async function withoutScript(path) {
  const { context, page } = await open(path, { javaScriptEnabled: false, viewport: { width: 1024, height: 900 } });
  // Page functions still work: only the page's own scripts are off.
  for (const what of await page.evaluate(layout)) say(path, `no script: ${what}`);
  const hidden = await page.evaluate(() =>
    Array.from(document.querySelectorAll("h2, figure, figcaption, .plot svg, summary, dd b"))
      .filter(e => e.getClientRects().length === 0)
      .map(e => e.tagName + " " + e.textContent.slice(0, 40)),
  );
  for (const what of hidden) say(path, `no script: not shown: ${what}`);
  await page.locator("label[for=units-us]").click();
  const us = await page.evaluate(() => document.body.innerText);
  if (!us.includes("lbf") || / N·s\/m/.test(us)) say(path, "no script: the US switch does not work");
  await context.close();
}

// Two links mark top and bottom of every figure; links stay readable in the PDF, page by page.
async function print(path) {
  for (const format of PAPERS) {
    const { context, page } = await open(path, {});
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
    const pdf = await page.pdf({ format, path: join(scratch, `print-${format}.pdf`), preferCSSPageSize: false, printBackground: true });
    const text = pdf.toString("latin1");
    const objects = new Map();
    for (const m of text.matchAll(/(\d+) 0 obj\s*([\s\S]*?)endobj/g)) objects.set(m[1], m[2]);
    const place = new Map();
    let pages = 0;
    for (const body of objects.values()) {
      if (!/\/Type\s*\/Page\b/.test(body)) continue;
      pages += 1;
      let annots = body.match(/\/Annots\s*\[([^\]]*)\]/)?.[1] ?? "";
      const far = body.match(/\/Annots\s+(\d+) 0 R/);
      if (far) annots = objects.get(far[1]) ?? "";
      for (const ref of annots.matchAll(/(\d+) 0 R/g)) {
        const mark = (objects.get(ref[1]) ?? "").match(/mark\.invalid\/(top|end)\/(\d+)\//);
        if (mark) place.set(mark[1] + mark[2], pages);
      }
    }
    for (let i = 0; i < count; i++) {
      const [top, end] = [place.get(`top${i}`), place.get(`end${i}`)];
      if (top === undefined || end === undefined) say(path, `${format}: figure ${i} is not in the print`);
      else if (top !== end) say(path, `${format}: figure ${i} is cut: page ${top} to ${end}`);
    }
    await context.close();
  }
}

async function hands(path) {
  const { context, page } = await open(path, { viewport: { width: 1200, height: 900 } });
  const read = () => page.locator("#force-speed output").textContent();
  const before = await read();
  await page.locator("#force-speed .plot svg").hover({ position: { x: 300, y: 120 } });
  const hovered = await read();
  if (hovered === before || !/(m|in)\/s/.test(hovered)) say(path, `hover reads nothing off: ${hovered}`);
  await page.locator("#force-speed input[type=range]").focus();
  await page.keyboard.press("Home");
  const first = await read();
  await page.keyboard.press("ArrowRight");
  const second = await read();
  if (first === second) say(path, "arrow keys read nothing off");
  await page.locator("#units-si").focus();
  await page.keyboard.press("ArrowRight");
  if (!/lbf/.test(await read())) say(path, `the read-out does not follow the units: ${await read()}`);
  await page.locator("label[for=units-si]").click();
  const box = page.locator("#force-speed [data-toggle]").first();
  await box.uncheck();
  const hidden = await page.locator("#force-speed [data-layer][hidden]").count();
  if (hidden === 0) say(path, "a legend entry does not toggle");
  if (await page.locator("[data-picker]").count()) {
    const all = await page.locator("#force-travel [data-layer]:not([hidden])").count();
    await page.locator("[data-picker]").selectOption({ index: 1 });
    const one = await page.locator("#force-travel [data-layer]:not([hidden])").count();
    if (one >= all) say(path, `the picker shows ${one} of ${all}`);
  }
  await page.locator("#force-speed summary").click();
  const [download] = await Promise.all([page.waitForEvent("download"), page.getByText("Save as CSV").first().click()]);
  const file = join(scratch, "saved.csv");
  await download.saveAs(file);
  const csv = readFileSync(file, "utf8");
  if (!csv.startsWith("\ufeff") || !/Speed, m\/s/.test(csv) || csv.split("\r\n").length < 4) say(path, `odd CSV: ${csv.slice(0, 80)}`);
  if (/^[=+@]|,[=+@]/m.test(csv.slice(1))) say(path, "the CSV holds a formula");
  await context.close();
}

for (const path of pages) {
  await screens(path);
  await withoutScript(path);
  await print(path);
  await hands(path);
}
await browser.close();
console.log(problems === 0 ? `checked ${pages.length} pages` : `${problems} problems`);
process.exit(problems === 0 ? 0 : 1);

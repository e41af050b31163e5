// Measures pages with Lighthouse at its phone settings; a run that fails to record, as happens
// on a busy machine, is made again. It reads {chrome, runs, pages: [{name, url,
// cookie}]} as JSON from standard input and writes, for each page and run, who looked, the scores of its
// categories in hundredths, the layout shift and what was wrong.
import * as chromeLauncher from "chrome-launcher";
import lighthouse from "lighthouse";

let text = "";
for await (const chunk of process.stdin) text += chunk;
const asked = JSON.parse(text);
const told = [];
for (const page of asked.pages) {
  for (let run = 0, failed = 0; run < asked.runs; run++) {
    // a browser of its own for each run: nothing is kept from the one before
    const chrome = await chromeLauncher.launch({ chromePath: asked.chrome, chromeFlags: ["--headless=new", "--no-sandbox", "--disable-gpu"] });
    try {
      const { lhr } = await lighthouse(page.url, { port: chrome.port, logLevel: "silent", output: "json", disableStorageReset: true,
        onlyCategories: ["performance", "accessibility", "best-practices"], extraHeaders: { Cookie: page.cookie } });
      if (lhr.runtimeError && failed < 3) {
        failed++;
        run--;
        continue;
      }
      const score = (name) => Math.round(100 * (lhr.categories[name].score ?? 0));
      const missed = ["accessibility", "best-practices"].flatMap((name) => lhr.categories[name].auditRefs)
        .filter((ref) => ref.weight > 0 && lhr.audits[ref.id].score !== null && lhr.audits[ref.id].score < 1).map((ref) => ref.id);
      told.push({ name: page.name, version: lhr.lighthouseVersion, status: lhr.runtimeError?.message ?? "", ended: lhr.finalDisplayedUrl, performance: score("performance"), accessibility: score("accessibility"),
        practices: score("best-practices"), shift: lhr.audits["cumulative-layout-shift"].numericValue ?? 0, bytes: lhr.audits["total-byte-weight"].numericValue ?? 0, failed: missed });
    } finally {
      chrome.kill();
    }
  }
}
process.stdout.write(JSON.stringify(told));

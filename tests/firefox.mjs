// Uses one bench and one recorder in Firefox, through WebDriver BiDi, and prints what it saw as one line of JSON.
// Called by test_firefox.py: node firefox.mjs PUPPETEER FIREFOX ADDRESS PICTURE, with a script to run in each page on stdin.
import { readFileSync } from "node:fs";
import { pathToFileURL } from "node:url";

const [puppeteer, firefox, address, picture] = process.argv.slice(2);
const { launch } = (await import(pathToFileURL(puppeteer))).default;
const TIMEOUT_MS = 90000;
const browser = await launch({
  browser: "firefox", executablePath: firefox, headless: true, protocolTimeout: TIMEOUT_MS,
  extraPrefsFirefox: {
    "media.navigator.streams.fake": true, "media.navigator.permission.disabled": true, // a microphone that plays a tone
    "media.autoplay.default": 0, "media.autoplay.blocking_policy": 0,
  },
});
const seen = { errors: [] };
let page;
try {
  page = await browser.newPage();
  await page.setViewport({ width: 1280, height: 720 });
  page.on("pageerror", (error) => seen.errors.push(String(error)));
  await page.evaluateOnNewDocument(readFileSync(0, "utf-8"));
  await page.goto(address);
  const until = (condition, what, ...given) =>
    page.waitForFunction(condition, { timeout: TIMEOUT_MS, polling: 100 }, ...given).catch((error) => { throw new Error(`${what}: ${error.message}`); });
  await until(() => /Python 3 .*\| Idle/.test(document.querySelector("#jp-main-statusbar")?.innerText ?? ""), "the kernel");
  await until(async () => {
    const [book] = [...window.jupyterapp.shell.widgets("main")].map((open) => open.content).filter((content) => content?.widgets);
    const cells = book.widgets.filter(({ model }) => model.type === "code");
    if (cells.every(({ model }) => model.executionCount)) return true;
    if (!window.asked) { window.asked = true; await window.jupyterapp.commands.execute("notebook:run-all-cells"); }
    return false;
  }, "the cells");
  await until(() => { const player = document.querySelector(".vocomp-player"); return player && !player.hidden && player.vocomp; }, "the player");
  const id = await page.$eval(".vocomp-player input[type=radio]", (radio) => radio.name.slice(7));
  const state = () => page.$eval(`.vocomp-${id}-state`, (element) => JSON.parse(element.textContent));
  const source = () => page.$eval(`.vocomp-${id}-picture`, (element) => element.src);
  const ask = (call) => page.$eval(".vocomp-player", (root, call) => root.vocomp[call](), call);
  const pause = (ms) => new Promise((done) => setTimeout(done, ms));
  const sounding = () => until(() => window.heard.last(20) > 0.001, "a sound");
  const most = async (ms) => {
    await page.evaluate(() => window.heard.clear());
    await pause(ms);
    return page.evaluate(() => window.heard.most());
  };
  // Once a change is out, which takes a busy machine a while: what is heard twice in a row.
  const settled = async () => {
    await pause(1000);
    for (let before = await most(600), tries = 0; ; tries++) {
      const now = await most(600);
      if (Math.abs(now[1] / before[1] - 1) < 0.005 || tries === 30) return now;
      before = now;
    }
  };
  const play = ".vocomp-player [data-part=play]";

  seen.live = await ask("isLive");
  await page.click(play);
  await sounding();
  seen.before = await settled();
  seen.position = [await ask("position"), (await pause(500), await ask("position"))];
  await page.click(`.vocomp-player input[type=radio][value=after]`);
  seen.after = await settled();
  seen.mode = await ask("mode");

  // A slider, by the keyboard, while it plays: settings, picture and sound follow.
  const old = await state(), drawn = await source();
  await page.click(".vocomp-player [data-part=match]"); // off, so that a change of loudness is heard as one
  seen.unmatched = await settled();
  await page.focus(`.vocomp-${id}-slider-threshold_db .noUi-handle`);
  for (let n = 0; n < 3; n++) await page.keyboard.press("PageDown");
  seen.moved = await settled();
  // Python follows when it can: wait for its last answer.
  await until(([id, json]) => {
    const said = JSON.parse(document.querySelector(`.vocomp-${id}-state`).textContent).json;
    if (said !== window.saidLast) [window.saidLast, window.saidAt] = [said, performance.now()];
    return said !== json && performance.now() - window.saidAt > 4000;
  }, "new settings", [id, old.json]);
  await until(([id, src]) => document.querySelector(`.vocomp-${id}-picture`).src !== src, "a new picture", [id, drawn]);
  seen.settings = [old, await state()].map(({ json }) => JSON.parse(json).stages[0].settings);
  seen.still_live = (await ask("playing")) && (await ask("isLive"));
  await page.click(play);
  seen.stopped = !(await ask("playing"));
  await page.$eval(".vocomp-player", (root) => root.scrollIntoView({ block: "start" }));
  await page.screenshot({ path: picture });

  // Two seconds of the fake microphone's tone, judged by the kernel.
  const box = (name) => `.vocomp-recorder [data-part=${name}]`;
  const said = (name) => page.$eval(box(name), (element) => element.innerText.trim());
  await page.click(box("power"));
  await until((chosen) => document.querySelector(chosen).checkVisibility(), "the microphone", box("ready"));
  await page.click(box("record"));
  await until((least) => document.querySelector(".vocomp-recorder").vocomp.take()?.frames >= least, "a recording", 96000);
  await page.click(box("record"));
  await until((chosen) => document.querySelector(chosen).innerText, "a verdict", box("verdict"));
  seen.recorded = [await said("note"), await said("verdict")];
} catch (error) {
  seen.failed = String(error.stack ?? error);
  await page?.screenshot({ path: picture }).catch(() => {});
} finally {
  await browser.close().catch(() => {});
}
console.log(JSON.stringify(seen));

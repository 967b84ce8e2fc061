// What a recorder's box shows: which of its controls are there and can be used, its sentences, and what Python says of a take. `root` is
// the box, and `set` what Python has set for it.
window.vocompRecorderBox = window.vocompRecorderBox || ((root, set) => {
  "use strict";
  const { number } = window.vocompWording;
  const control = (name) => root.querySelector(`[data-part="${name}"]`);
  const write = (name, text) => window.vocompWording.write(control(name), text);
  const say = (text) => write("note", text);
  const hide = (name, hidden) => { control(name).hidden = hidden; };
  const device = control("device"), channel = control("channel"), recordButton = control("record");
  let verdictText = "";

  // Show all that follows from how things are: `mode` as in record.js, the take in hand, whether the microphone is on and of how many
  // inputs, whether it is `left` on after a take, whether this page can `never` record, and how far Python is.
  function show({ mode, take, on, left, channels, never, state, known, posting, stuck }) {
    const here = Boolean(take && take.ended), recording = mode === "recording" || mode === "getting", listening = mode === "listening";
    write("power", on ? "Turn off the microphone" : "Turn on the microphone");
    hide("power", never);
    control("power").disabled = !state || mode === "opening" || listening;
    for (const part of ["ready", "processing", "device-row"]) hide(part, !on);
    hide("channel-row", !on || channels < 2);
    device.disabled = recording || listening;
    channel.disabled = recording;
    const guided = control("band").checked || control("clicks").checked;
    hide("loud", !here && !(on && guided));
    hide("bleed", !guided);
    hide("guide", Boolean(set.plan.length));
    for (const part of ["clicks", "band"]) control(part).disabled = recording;
    write("record", recording ? "Stop" : "Record");
    recordButton.toggleAttribute("data-on", recording);
    recordButton.disabled = here || listening || mode === "opening";
    recordButton.title = here ? "Press Again to repeat the take" : "";
    write("still-on", on && left && !recording ? "The microphone is still on. To turn it off, press “Turn off the microphone” above." : "");
    hide("taken", !here);
    hide("keep", !set.keeps);
    write("listen", listening ? "Stop listening" : "Listen");
    for (const part of ["listen", "keep", "again"]) control(part).disabled = Boolean(take && take.wanted);
    // Unknown to Python it goes over first: another page has recorded meanwhile.
    control("keep").disabled ||= known ? !state.ended : posting || !take || !take.chunks;
    hide("trouble", !stuck || !take);
    hide("save", !take || !take.chunks);
    showVerdict(here && known && state.ended ? state.verdicts : []);
  }

  function showVerdict(verdicts) {
    const text = JSON.stringify(verdicts);
    if (text === verdictText) return;
    verdictText = text;
    control("verdict").replaceChildren(...verdicts.map((verdict) => {
      const line = document.createElement("p"), strong = document.createElement("b");
      line.className = verdict.fine ? "right" : "wrong";
      strong.textContent = `${verdict.topic}: ${verdict.fine ? "✓" : "▸"} ${verdict.word}. `;
      line.append(strong, verdict.sentence);
      return line;
    }));
  }

  // While a take is recorded: its length so far, and the beat of the count-in, or null after it.
  function showTime(seconds, beat) {
    let count = "";
    if (set.plan.length) {
      let end = 0;
      const [what] = set.plan.find(([, lasts]) => (end += lasts) > seconds) || set.plan.at(-1);
      count = String(Math.max(1, Math.ceil(end - seconds)));
      say(what + ".");
    } else if (beat !== null) count = beat >= 1 ? String(beat) : "";
    else {
      count = "sing";
      say("Recording. Press Stop at the end.");
    }
    const tenths = Math.floor(10 * seconds);
    write("count", count);
    write("time", seconds ? `${Math.floor(tenths / 600)}:${number((tenths % 600) / 10, 1).padStart(4, "0")}` : "");
  }

  function hideTime() {
    write("count", "");
    write("time", "");
  }

  function showProcessing({ text, on }) {
    write("processing", text);
    control("processing").classList.toggle("wrong", on);
  }

  function listDevices(found, current) {
    device.replaceChildren(...found.map((each, place) => new Option(each.label || `Microphone ${place + 1}`, each.deviceId)));
    device.value = current || "";
    if (device.selectedIndex < 0 && found.length) device.selectedIndex = 0;
  }

  return { control, write, say, show, showTime, hideTime, showProcessing, listDevices, hasVerdict: () => verdictText.length > 2 };
});

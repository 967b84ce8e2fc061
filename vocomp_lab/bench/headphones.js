// What the singer hears from a recorder: the count-in, the band, the take that is listened to. It sounds in the microphone's own context,
// at the page's volume, and only after it has taken the page's loudspeaker (speaker.js), as a player does. `slider` is the box's headphone
// level, and `text` stands beside it.
window.vocompHeadphones = window.vocompHeadphones || ((slider, text, context) => {
  "use strict";
  const SWITCH_S = 0.012;
  const speaker = window.vocompSpeaker, { write } = window.vocompWording;
  const gain = () => Math.pow(10, Number(slider.value) / 20);
  let sounding = null; // the nodes and their gain

  // The nodes sound from their times on, through a gain that follows the slider, until hush().
  function sound(nodes) {
    const knob = context().createGain();
    knob.gain.value = gain();
    knob.connect(context().destination);
    for (const node of nodes) node.connect(knob);
    sounding = { nodes, knob };
  }

  function hush() {
    if (!sounding) return;
    const { nodes, knob } = sounding, now = knob.context.currentTime;
    sounding = null;
    if (knob.context.state === "running") knob.gain.setTargetAtTime(0, now, SWITCH_S / 3);
    for (const node of nodes) { node.onended = null; try { (node.ends || node).stop(now + 3 * SWITCH_S); } catch (error) { /* it is over */ } }
    setTimeout(() => knob.disconnect(), 200);
  }

  function click(at) {
    const tone = context().createOscillator(), shape = context().createGain();
    tone.frequency.value = 1000;
    shape.gain.setValueAtTime(0, at);
    shape.gain.linearRampToValueAtTime(0.25, at + 0.003);
    shape.gain.setTargetAtTime(0, at + 0.01, 0.012);
    tone.connect(shape);
    tone.start(at);
    tone.stop(at + 0.12);
    shape.ends = tone;
    return shape;
  }

  function player(buffer, at) {
    const node = context().createBufferSource();
    node.buffer = buffer;
    node.start(at);
    return node;
  }

  // Take the page's loudspeaker for a box, and give the number of the turn.
  function take(box) {
    speaker.setVolume(Number(slider.value));
    return speaker.take(box);
  }

  // Show the page's volume and sound at it, whichever slider of the page has set it.
  function follow() {
    if (speaker.volumeDb() !== null) slider.value = speaker.volumeDb();
    if (sounding) sounding.knob.gain.setTargetAtTime(gain(), sounding.knob.context.currentTime, 0.01);
    write(text, slider.value.replace("-", "−") + " dB");
    slider.setAttribute("aria-valuetext", text.textContent);
  }

  slider.addEventListener("input", () => {
    speaker.setVolume(Number(slider.value));
    for (const each of speaker.players) each.showVolume();
  });
  follow();
  return { take, sound, hush, click, player, follow };
});

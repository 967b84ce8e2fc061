"""What a page lets be heard: everything that reaches the output of its audio contexts, measured there.

``listen(page)`` before the page opens its notebook; after that the page has ``window.heard``.
"""

from __future__ import annotations

OVER = 10 ** (0.5 / 20)
"""What may be measured over the level of a sound played once: half a decibel."""

# A worklet hears every sample, also while the page itself is busy. It is in place before anything can sound: a context's
# resume() waits for it, and the player waits for resume(). Its own output is silent; it is connected so that it runs.
RECORDER = """(() => {
  const code = `registerProcessor("recorder", class extends AudioWorkletProcessor {
    constructor() { super(); this.samples = 0; this.peak = 0; this.energy = 0; }
    process([input]) {
      for (let n = 0; n < 128; n++) {
        let most = 0;
        for (const channel of input) most = Math.max(most, Math.abs(channel[n]));
        this.peak = Math.max(this.peak, most);
        this.energy += most * most;
      }
      this.samples += 128;
      if (this.samples >= 512) {
        this.port.postMessage([this.peak, Math.sqrt(this.energy / this.samples)]);
        this.samples = this.peak = this.energy = 0;
      }
      return true;
    }
  })`;
  const heard = (window.heard = {
    BLOCK: 512, blocks: [], held: false, contexts: [],
    // The largest sample and the largest RMS of a block (about a hundredth of a second) since clear().
    most: () => heard.blocks.reduce(([a, b], [c, d]) => [Math.max(a, c), Math.max(b, d)], [0, 0]),
    last: (count) => Math.max(0, ...heard.blocks.slice(-count).map(([peak]) => peak)),
    clear: () => { heard.blocks.length = 0; },
  });
  const connect = AudioNode.prototype.connect, resume = AudioContext.prototype.resume;
  AudioNode.prototype.connect = function (target, ...rest) {
    if (target instanceof AudioDestinationNode && target.context.recorder) connect.call(this, target.context.recorder);
    return connect.call(this, target, ...rest);
  };
  window.AudioContext = class extends AudioContext {
    constructor(...given) {
      super(...given);
      heard.contexts.push(this);
      const entry = this.createGain();
      this.recorder = entry;
      this.listening = this.audioWorklet
        .addModule(URL.createObjectURL(new Blob([code], { type: "text/javascript" })))
        .then(() => {
          const recorder = new AudioWorkletNode(this, "recorder");
          recorder.port.onmessage = ({ data }) => heard.blocks.push(data);
          connect.call(entry, recorder);
          connect.call(recorder, this.destination);
        });
    }
    // `heard.held`: a browser that holds the sound back never answers.
    resume() {
      return heard.held ? new Promise(() => {}) : Promise.all([resume.call(this), this.listening]).then(() => {});
    }
  };
})();"""


def listen(page) -> None:
    """Measure what this page, and those it opens, let be heard from their next address on."""
    page.context.add_init_script(RECORDER)

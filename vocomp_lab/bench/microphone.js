// The microphone of a recorder: whether this page can have one, what the browser says about it, and every sample of it, taken by an audio
// worklet. It has an audio context of its own, at its own rate; what else sounds in that context shares the recording's clock.
window.vocompMicrophone = window.vocompMicrophone || (() => {
  "use strict";
  const LOW_RATE_HZ = 32000;
  const { list, upper } = window.vocompWording;
  const PROCESSORS = {
    echoCancellation: "echo cancellation", noiseSuppression: "noise suppression", autoGainControl: "automatic gain control",
    voiceIsolation: "voice isolation",
  };
  const CAPTURE = `registerProcessor("vocomp-microphone", class extends AudioWorkletProcessor {
    constructor() { super(); this.rest(); }
    rest() { this.blocks = []; this.filled = 0; }
    process([input]) {
      if (input.length) {
        if (!this.filled || this.blocks.length !== input.length) { this.rest(); this.from = currentFrame; this.blocks = input.map(() => new Float32Array(1024)); }
        input.forEach((samples, c) => this.blocks[c].set(samples, this.filled));
        this.filled += input[0].length;
        if (this.filled === 1024) {
          this.port.postMessage({ from: this.from, blocks: this.blocks }, this.blocks.map((block) => block.buffer));
          this.rest();
        }
      }
      return true;
    }
  })`;

  // ---- what is said --------------------------------------------------------------------------------------------------

  // Why this page can never record; nothing where it can.
  function whyNever() {
    if (!window.isSecureContext || !navigator.mediaDevices || !navigator.mediaDevices.getUserMedia) {
      return "Browsers let a page record only at an address that begins with https, or on this computer (localhost): open the workbook there to record; everything else works here.";
    }
    if (!window.AudioWorkletNode) return "This browser can't record without loss, because it has no audio worklets: use a newer one to record; everything else works here.";
    return "";
  }

  // Why a microphone did not open.
  function whyNot(error) {
    const lost = "No microphone was found: plug one in, and turn it on here again.";
    const refused = "The browser won't let this page use the microphone: allow it in the address bar (or in the computer's privacy settings), and turn it on here again.";
    return {
      NotAllowedError: refused, SecurityError: refused, NotFoundError: lost, DevicesNotFoundError: lost,
      OverconstrainedError: "That microphone is no longer there: choose another one.",
      NotReadableError: "The microphone can't be opened, probably because another program is using it: close that program, and turn it on here again.",
    }[error.name] || `The microphone can't be opened (${(error.message || error.name).replace(/\.$/, "")}): choose another one, or turn it on here again.`;
  }

  // What a track's settings say about the browser's own processing, and whether some of it stays on.
  function processing(settings) {
    const on = Object.keys(PROCESSORS).filter((name) => settings[name]).map((name) => PROCESSORS[name]);
    const unsaid = Object.keys(PROCESSORS).slice(0, 3).filter((name) => settings[name] === undefined).map((name) => PROCESSORS[name]);
    const texts = ["Echo cancellation, noise suppression and automatic gain control would change your levels as you sing."];
    if (on.length) texts.push(`▸ ${upper(list(on))} can't be turned off here, so the levels you record aren't the ones you sing: try another browser or microphone.`);
    if (unsaid.length) texts.push(`– This browser doesn't say whether ${list(unsaid)} ${unsaid.length > 1 ? "are" : "is"} off: listen for a voice that swells, or words that are cut short.`);
    if (!on.length && !unsaid.length) texts.push("✓ All three are off.");
    if (settings.sampleRate && settings.sampleRate < LOW_RATE_HZ) {
      texts.push(`▸ This microphone records at only ${settings.sampleRate / 1000} kHz, as wireless headsets do, so the highs are missing: use one with a cable.`);
    }
    return { text: texts.join(" "), on: on.length > 0 };
  }

  // The microphones there are; nameless until one of them was allowed.
  async function devices() {
    return (await navigator.mediaDevices.enumerateDevices()).filter((each) => each.kind === "audioinput" && each.deviceId);
  }

  // ---- one recorder's ------------------------------------------------------------------------------------------------

  // `arrived` gets the samples, { from, blocks }: the context's frame of the first one, and 1024 of each input. `gone` hears that the
  // microphone has gone, and `stopped` in a sentence why no more samples come.
  function microphone({ arrived, gone, stopped }) {
    let context = null, stream = null, track = null, source = null, capture = null;
    let opened = 0; // counts what was opened and closed

    // The context, running, at the microphone's rate where the browser tells it.
    async function clock(rate) {
      if (context && context.state !== "closed" && (!rate || context.sampleRate === rate)) return context.resume();
      if (context) context.close().catch(() => {});
      const fresh = (context = rate ? new AudioContext({ sampleRate: rate }) : new AudioContext());
      const url = URL.createObjectURL(new Blob([CAPTURE], { type: "text/javascript" }));
      try { await fresh.audioWorklet.addModule(url); } finally { URL.revokeObjectURL(url); }
      fresh.onstatechange = () => {
        if (context === fresh && fresh.state !== "running") stopped("The computer's sound was interrupted, and that ended the take.");
      };
      return fresh.resume();
    }

    // Open a microphone, or any, and give its settings. An error says by its name why it can't be; AbortError: it was closed meanwhile.
    async function open(deviceId) {
      const turn = ++opened, wanted = { channelCount: { ideal: 2 } };
      const check = () => { if (turn !== opened) throw new DOMException("it was turned off meanwhile", "AbortError"); };
      for (const name of Object.keys(PROCESSORS)) wanted[name] = false;
      if (deviceId) wanted.deviceId = { exact: deviceId };
      const fresh = await navigator.mediaDevices.getUserMedia({ audio: wanted });
      try {
        const now = fresh.getAudioTracks()[0], settings = now.getSettings();
        check();
        await clock(settings.sampleRate);
        check();
        source = context.createMediaStreamSource(fresh);
        capture = new AudioWorkletNode(context, "vocomp-microphone");
        capture.port.onmessage = ({ data }) => arrived(data);
        capture.onprocessorerror = () => stopped("The browser stopped recording, and that ended the take.");
        source.connect(capture);
        capture.connect(context.destination); // silent: a node that leads nowhere may not run
        stream = fresh;
        track = now;
        track.onended = gone;
        return settings;
      } catch (error) {
        for (const each of fresh.getTracks()) each.stop();
        throw error;
      }
    }

    function close() {
      opened++;
      if (track) track.onended = null;
      if (stream) for (const each of stream.getTracks()) each.stop();
      if (capture) { capture.port.onmessage = null; capture.disconnect(); source.disconnect(); }
      stream = track = source = capture = null;
    }

    return {
      clock, open, close, context: () => context, stream: () => stream, track: () => track,
      end() { close(); if (context) context.close().catch(() => {}); },
    };
  }

  return { whyNever, whyNot, processing, devices, microphone };
})();

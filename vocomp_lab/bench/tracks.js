// Sounds that Python has sent as files: fetched, decoded, and subtracted.
window.vocompTracks = window.vocompTracks || (() => {
  "use strict";

  async function decode(bytes, rate, scale) {
    const buffer = await new OfflineAudioContext(1, 1, rate).decodeAudioData(bytes);
    for (let c = 0; c < buffer.numberOfChannels; c++) {
      const data = buffer.getChannelData(c);
      for (let n = 0; n < data.length; n++) data[n] *= scale;
    }
    return buffer;
  }

  // A sound of a state, once it is in the page; null if the state is no longer the newest. `element` finds its <audio>.
  async function arrived(element, part, state, isNewest) {
    // The new state can arrive a moment before the new sound: wait until there are as many bytes as the state says.
    for (let tries = 0; tries < 100; tries++) {
      const audio = element();
      if (audio && audio.src) {
        try {
          const bytes = await (await fetch(audio.src)).arrayBuffer();
          if (bytes.byteLength === state[part + "_bytes"]) return decode(bytes, state.rate, state[part + "_scale"]);
        } catch (error) { /* the element was just given another sound; look again */ }
      }
      await new Promise((resolve) => setTimeout(resolve, 50));
      if (!isNewest()) return null;
    }
    throw new Error("the sound did not arrive");
  }

  // What was removed: a share of what went in, less a share of what came out.
  function difference(before, after, [ofBefore, ofAfter]) {
    const removed = new AudioBuffer({ length: before.length, numberOfChannels: before.numberOfChannels, sampleRate: before.sampleRate });
    for (let c = 0; c < before.numberOfChannels; c++) {
      const b = before.getChannelData(c), a = after.getChannelData(Math.min(c, after.numberOfChannels - 1)), r = removed.getChannelData(c);
      for (let n = 0; n < r.length; n++) r[n] = ofBefore * b[n] - ofAfter * (a[n] || 0);
    }
    return removed;
  }

  return { arrived, difference };
})();

// Sounds that Python has sent as files: fetched, decoded, and subtracted. One for each player; `find` finds its hidden <audio>
// elements, `names` are its tracks.
window.vocompTracks = window.vocompTracks || ((find, names) => {
  "use strict";
  const MOST_TRIES = 600, TRY_MS = 50; // four minutes of sound take a while to come
  let made = null; // the decoded tracks by name, and the state they belong to
  let decoding = null;

  async function decode(bytes, rate, scale) {
    const buffer = await new OfflineAudioContext(1, 1, rate).decodeAudioData(bytes);
    for (let c = 0; c < buffer.numberOfChannels; c++) {
      const data = buffer.getChannelData(c);
      for (let n = 0; n < data.length; n++) data[n] *= scale;
    }
    return buffer;
  }

  // A sound of a state, once it is in the page; null if the state is no longer the newest.
  async function arrived(part, state, isNewest) {
    // The new state can arrive a moment before the new sound: wait until there are as many bytes as the state says.
    for (let tries = 0; tries < MOST_TRIES; tries++) {
      const audio = find(part);
      if (audio && audio.src) {
        try {
          const bytes = await (await fetch(audio.src)).arrayBuffer();
          if (bytes.byteLength === state[part + "_bytes"]) return decode(bytes, state.rate, state[part + "_scale"]);
        } catch (error) { /* the element was just given another sound; look again */ }
      }
      await new Promise((resolve) => setTimeout(resolve, TRY_MS));
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

  const soundOf = (s) => [...names.map((name) => s[name + "_id"]), s.removed_shares].join("/");

  async function decodeAll(state, isNewest) {
    const fresh = { state };
    for (const name of names.filter((track) => track !== "removed")) {
      const known = made && made.state[name + "_id"] === state[name + "_id"] ? made[name] : null;
      fresh[name] = known || (await arrived(name, state, isNewest));
      if (!fresh[name] || !isNewest()) return null;
    }
    if (names.includes("removed")) fresh.removed = difference(fresh.before, fresh.after, state.removed_shares);
    return (made = fresh);
  }

  return {
    arrived,
    made: () => made,
    forget() { made = decoding = null; },
    // New numbers for the sound that is already here. They don't apply to a sound that is still on its way.
    renew(state) { if (made && soundOf(made.state) === soundOf(state)) made.state = state; },
    // All tracks of a state, decoded; null if the state is no longer the newest.
    all(state, isNewest) {
      if (made && made.state === state) return Promise.resolve(made);
      if (decoding && decoding.state === state) return decoding.promise;
      const promise = decodeAll(state, isNewest);
      decoding = { state, promise };
      promise.catch(() => { decoding = null; }); // the next Play tries again
      return promise;
    },
  };
});

// The band that a voice is heard against: one for all players of a voice, known by its id. Python's side is band.py. Whether it is heard,
// and at what balance, is the same on every bench of the page.
window.vocompBands = window.vocompBands || (() => {
  "use strict";
  const gainOf = (db) => Math.pow(10, db / 20);
  const bands = new Map();

  // The gains of voice and band while both are heard: what mix_gains in band.py says.
  function mixGains(mixLufs, balanceDb, voiceLufs, bandLufs, voicePeak, bandPeak) {
    const voice = gainOf(mixLufs + Math.min(balanceDb, 0) - voiceLufs), band = gainOf(mixLufs - Math.max(balanceDb, 0) - bandLufs);
    const room = Math.min(1, 1 / (voice * voicePeak + band * bandPeak));
    return { voice: voice * room, band: band * room };
  }

  function open(id) {
    const known = {};
    const find = (part) => (known[part] && known[part].isConnected ? known[part] : (known[part] = document.querySelector(`.vocomp-${id}-${part}`)));
    const lines = window.vocompLines(find, () => read()), sounds = window.vocompTracks(find, []), live = window.vocompLive;
    let line = null, on = false, wanted = false;
    let byHand = {}, told = { number: 0 }; // balance_lu, shift_s: what Python may not know of yet, and what it was told last
    let decoding = null, decoded = null, cut = null; // for a page that can't make sound, which needs it as a buffer

    function read() {
      const fresh = lines.changed("line");
      if (!fresh) return;
      line = fresh;
      if (line.heard !== told.number) return;
      for (const field of Object.keys(byHand)) if (byHand[field] === told[field]) delete byHand[field];
    }

    function tell() {
      told = { number: Date.now(), sound: wanted, ...byHand };
      lines.tell("said", JSON.stringify(told));
    }

    const now = (field) => (field in byHand ? byHand[field] : line ? line[field] : 0);

    // How loud what lies under the voice is. Where it was just moved to is not measured yet: it may be the loudest part, so until then it
    // counts as no softer than the whole.
    const lufsNow = () => (line.measured_at_s === now("shift_s") ? line.lufs : Math.max(line.lufs, line.whole_lufs));

    const arrived = () => sounds.arrived("sound", line, () => true);

    const band = {
      id, read,
      isOn: () => on,
      turn(now) {
        on = now;
        if (on && !wanted) { wanted = true; tell(); }
      },
      balanceDb: () => now("balance_lu"),
      shiftS: () => now("shift_s"),
      // A hand sets the field `balance_lu` or `shift_s`; `done`: it has let go.
      set(field, value, done) {
        byHand[field] = value;
        if (done) tell();
      },
      // Why what was set could not be kept, or nothing.
      trouble: () => (line && line.trouble) || "",
      lufs: () => (band.here() ? lufsNow() : null),
      here: () => Boolean(line && line.sound_bytes && line.lufs !== null),
      async wait() {
        for (let tries = 0; tries < 600 && on && !(line && line.sound_bytes); tries++) {
          read();
          if (tries % 40 === 39) tell(); // a kernel that is busy may take long; a page that was reloaded has not asked yet
          await new Promise((resolve) => setTimeout(resolve, 50));
        }
        if (!on) return;
        if (!line || !line.sound_bytes) throw new Error("it did not arrive");
        if (!band.here()) throw new Error("nothing of it lies under this voice");
      },
      // A mono voice sounds on both sides of a stereo band, and so counts twice (ITU-R BS.1770-5).
      gains(mixLufs, { lufs, peak }, channels) {
        const sidesDb = 10 * Math.log10(Math.max(line.channels / channels, 1));
        return mixGains(mixLufs, band.balanceDb(), lufs + sidesDb, lufsNow(), peak, line.peak);
      },

      // For sound that the page makes itself: have the worklet know it, and say where a frame of the clip lies in it.
      shelve: (context) => live.shelve(context, id, arrived, true),
      isShelved: (context) => live.hasBand(context, id),
      spec: (fromS, rate) => ({ id, channels: line.channels, at: Math.round(fromS * rate) - Math.round(band.shiftS() * rate) }),

      // For sound that Python makes: what lies under a clip, as a buffer of its length.
      async decode() {
        decoding = decoding || arrived().catch((error) => { decoding = null; throw error; });
        decoded = await decoding;
      },
      isDecoded: () => decoded !== null,
      cut(fromS, frames) {
        const { at } = band.spec(fromS, decoded.sampleRate), key = `${at}/${frames}`;
        if (!cut || cut.key !== key) {
          const buffer = new AudioBuffer({ length: frames, numberOfChannels: decoded.numberOfChannels, sampleRate: decoded.sampleRate });
          for (let c = 0; c < decoded.numberOfChannels; c++) {
            const part = decoded.getChannelData(c).subarray(Math.max(at, 0), Math.max(at + frames, 0));
            buffer.copyToChannel(part.subarray(0, Math.max(frames + Math.min(at, 0), 0)), c, Math.min(Math.max(-at, 0), frames - 1));
          }
          cut = { key, buffer };
        }
        return cut.buffer;
      },
    };
    read();
    return band;
  }

  return {
    mixGains,
    of(id) {
      if (!bands.has(id)) bands.set(id, open(id));
      return bands.get(id);
    },
  };
})();

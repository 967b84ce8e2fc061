// A player's voice whose sound the page makes: starts its chain at the right state, from where the voice before will be by then, and has
// it do what the controls say. One for each player, which answers the questions:
//   state()         the newest state
//   matchDb()       how much louder "after" is to be; null for as it is
//   loop()          the seconds between which it goes round, or null
//   placeIn(voice, time), gains(), heard(meter), ended(), failed(), changed()
//   band()          the band that is heard with it, as worklet.js needs it, or null
window.vocompLiveVoice = window.vocompLiveVoice || ((id, tracks, hand, player) => {
  "use strict";
  const LEAD_S = 0.15, MOST_TRIES = 6; // how far ahead a new chain is made ready to take over from the one that plays
  const LEAST_LEAD_S = 0.04; // sound is rendered a little ahead of the clock that the page can read
  const speaker = window.vocompSpeaker, live = window.vocompLive;
  let starting = 0; // counts the starts
  let goingTo = null; // the place in seconds that the page is making ready to play from

  const gainOf = (db) => Math.pow(10, db / 20);
  const voice = () => (speaker.owner() === player.self() ? speaker.voice() : null);

  // What the chain is to do, with what a hand has just moved.
  function spec() {
    const { stages, moved, first, last, needle } = player.state().live, matchDb = player.matchDb();
    return {
      stages: stages.map((stage, n) => hand.stage(stage, n === moved)), first, last, needle, band: player.band(),
      match: matchDb === null ? 1 : gainOf(matchDb), measured: matchDb === null || (player.state().measured && !hand.moving()),
    };
  }

  // Another kind of stage can't take over what this one remembers, and other places to compare are another voice.
  const shapeOf = (spec) => [player.state().clip_id, spec.first, spec.last, spec.band ? spec.band.id : "", ...spec.stages.map(({ type }) => type)].join("/");
  const textOf = (spec) => JSON.stringify(spec, (_, value) => (value === Infinity ? "inf" : value));

  // Start the chain as it is set now, from a place; by default from where the voice that is on will be by then. A chain that takes long
  // to warm up starts soon and roughly, and the right one takes over when it is ready.
  async function start(place = null, soon = true) {
    const mine = ++starting, turn = speaker.turn(), s = player.state(), isOn = () => mine === starting && speaker.isOn(turn);
    // A place that it was sent to and has not reached yet still counts.
    goingTo = place = place === null ? goingTo : place;
    for (let tries = 0, lead = LEAD_S; tries < MOST_TRIES; tries++) {
      const what = spec(), when = place === null ? speaker.now() + lead : 0, on = voice();
      if (place === null && !on) return;
      const at = Math.round((place === null ? player.placeIn(on, when) : place) * s.rate), round = player.loop();
      const [here, again] = await Promise.all([
        live.heldAt(id, s.clip_id, what, at, soon),
        live.heldAt(id + "-loop", s.clip_id, what, round ? Math.round(round[0] * s.rate) : 0, soon),
      ]);
      if (!isOn()) return;
      if (!here || !again) continue; // a newer question came in between
      if (place === null && speaker.now() + LEAST_LEAD_S > when) { // too late: further ahead, by what it takes
        lead = Math.max(2 * lead, LEAD_S + 1.3e-3 * (here.took + again.took));
        continue;
      }
      const source = live.source(s.clip_id, what, here.held, {
        loopHeld: again.held, channels: s.live.channels, tracks,
        heard: (meter) => { if (speaker.voice() && speaker.voice().source === source) player.heard(meter); },
        ended: () => { if (speaker.ended(source)) player.ended(); },
        failed: () => { if (speaker.ended(source)) player.failed(); },
      });
      source.shape = shapeOf(what);
      const withBand = Boolean(what.band);
      Object.assign(speaker.change(() => at / s.rate, round, source, player.gains(withBand), when), { length: s.duration_s, withBand });
      goingTo = null;
      follow(); // what has moved meanwhile
      if (here.rough) start(null, false);
      else if (again.rough) renewLoop(voice(), what);
      return;
    }
    goingTo = null;
  }

  // Have the chain that plays do what the controls say now.
  function follow() {
    const on = voice();
    if (!on || !on.source.shape) return;
    const what = spec();
    if (shapeOf(what) !== on.source.shape) return void start();
    if (textOf(what) !== textOf(on.source.spec)) {
      on.source.set(what);
      if (on.loop && on.loop[0] > 0) renewLoop(on, what);
    }
    player.changed();
  }

  async function renewLoop(on, what) {
    const { clip_id, rate } = player.state(), again = await live.heldAt(id + "-loop", clip_id, what, Math.round(on.loop[0] * rate));
    if (again && voice() === on) on.source.goRound(on.loop, again.held);
  }

  return { start, follow, goingTo: () => goingTo, drop() { starting++; goingTo = null; } };
});

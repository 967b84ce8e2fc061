// What is played, when and for how long: a hidden line that Python reads, for rounds of practice and blind tests. `tell` writes it,
// where Python asked for it. Called ten times a second with the track that is heard, or null.
window.vocompPlays = window.vocompPlays || ((tell) => {
  "use strict";
  const SAID_EVERY_S = 0.5;
  const made = []; // track, start in seconds since 1970, seconds heard
  let on = null, since = 0, said = 0;
  return (track) => {
    const now = Date.now() / 1000, was = on;
    if (track) {
      if (track !== on) made.push([track, now, 0]);
      else made[made.length - 1][2] += Math.min(now - since, 2); // a page that slept hasn't been listened to
    }
    [on, since] = [track, now];
    // Its start, its end, and now and then between.
    if (track === was && (!track || now - said < SAID_EVERY_S)) return;
    said = now;
    tell(JSON.stringify(made.map(([name, at, seconds]) => [name, Math.round(10 * at) / 10, Math.round(10 * seconds) / 10])));
  };
});

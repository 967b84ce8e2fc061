// Amplitudes and powers in decibels, for the page's processors. Silence is -200 dB.
const vocompDecibels = (() => {
  "use strict";
  const FLOOR_DB = -200, DB = Math.LN10 / 20;
  const amplitudeOf = (db) => Math.exp(db * DB);
  const dbOf = (amplitude) => Math.max(Math.log(amplitude) / DB, FLOOR_DB);
  const powerDbOf = (power) => Math.max(Math.log(power) / (2 * DB), FLOOR_DB);

  return { amplitudeOf, dbOf, powerDbOf };
})();

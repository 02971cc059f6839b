/* What the ear and the hand are told of an answer: right, again, other or wrong. Both can be switched off. */

const TONES = { right: [[880, 0.09]], again: [[440, 0.12], [440, 0.12]], other: [[660, 0.1], [880, 0.1]], wrong: [[200, 0.35]] };
const BUZZES = { right: [40], again: [60, 60, 60], other: [40, 40, 120], wrong: [350] };
let audio;

function off(key) {
  try { return localStorage.getItem(key) === "off"; } catch { return false; }
}

export function tell(look) {
  if (!off("sound")) sound(look);
  if (!off("buzz")) navigator.vibrate?.(BUZZES[look] ?? []);
}

function sound(look) {
  try { audio ??= new AudioContext(); } catch { return; }
  if (audio.state === "suspended") audio.resume();
  let start = audio.currentTime;
  for (const [pitch, length] of TONES[look] ?? []) {
    const tone = audio.createOscillator();
    const level = audio.createGain();
    tone.type = look === "wrong" ? "square" : "sine";
    tone.frequency.value = pitch;
    level.gain.setValueAtTime(0.25, start);
    level.gain.exponentialRampToValueAtTime(0.001, start + length);
    tone.connect(level).connect(audio.destination);
    tone.start(start);
    tone.stop(start + length);
    start += length + 0.05;
  }
}

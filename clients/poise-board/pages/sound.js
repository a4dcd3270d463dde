// The bell.  A browser lets a page sound only after a touch: the first one anywhere opens it.
let context = null, wanted = localStorage.getItem("sound") !== "off";

const TONES = { // Hz, and how often: the end of a press is heard over a kettle
  "bloom-end": [660, 1], stir: [660, 1], "stir-end": [520, 1], "press-soon": [520, 1], press: [880, 2],
  "press-end": [880, 4],
};
const STROKE_S = 0.28, PAUSE_S = 0.12;

function open() {
  context ??= new AudioContext();
  context.resume();
}
addEventListener("pointerdown", open, { once: true });

export const on = () => wanted;

export function toggle() {
  wanted = !wanted;
  localStorage.setItem("sound", wanted ? "on" : "off");
  if (wanted) ring("stir");
}

export function ring(moment) {
  document.body.dataset.rang = moment;
  if (!wanted || !context) return;
  const [pitch, strokes] = TONES[moment] ?? [660, 1];
  for (let stroke = 0; stroke < strokes; stroke++) {
    const at = context.currentTime + stroke * (STROKE_S + PAUSE_S);
    const tone = context.createOscillator(), level = context.createGain();
    tone.frequency.value = pitch;
    level.gain.setValueAtTime(0.0001, at);
    level.gain.exponentialRampToValueAtTime(0.5, at + 0.02);
    level.gain.exponentialRampToValueAtTime(0.0001, at + STROKE_S);
    tone.connect(level).connect(context.destination);
    tone.start(at);
    tone.stop(at + STROKE_S);
  }
}

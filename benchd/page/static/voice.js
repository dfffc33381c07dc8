// How does the phone make itself heard?  Tones by priority, then speech, a shake; and a screen kept awake.
let audio = null, lock = null, wantsLock = false;

// [frequency Hz, starts s, lasts s, rises to Hz]; the shapes differ, so that they are told apart through a respirator.
const TONES = {
  alarm: [[880, 0, 0.22], [587, 0.24, 0.22], [880, 0.48, 0.22], [587, 0.72, 0.22], [880, 0.96, 0.3]],
  attention: [[660, 0, 0.25], [660, 0.35, 0.25]],
  chime: [[523, 0, 0.18], [784, 0.2, 0.3]],
  beep: [[1047, 0, 0.4]],
  blind: [[740, 0, 0.4, 220], [740, 0.5, 0.4, 220], [740, 1.0, 0.5, 220]],
  tick: [[330, 0, 0.03]],
};
const SHAKES = { 1: [400, 100, 400, 100, 400], 2: [250, 120, 250], 3: [120] };

export const isStarted = () => audio !== null;

export async function start() {
  const Context = window.AudioContext || window.webkitAudioContext;
  if (Context && !audio) audio = new Context();
  if (audio && audio.state === "suspended") await audio.resume().catch(() => {});
  if (window.speechSynthesis) speechSynthesis.speak(new SpeechSynthesisUtterance(""));
  wantsLock = true;
  await stayAwake();
}

export function tone(name, level = 0.5) {
  if (!audio) return "This browser has no sound, or the watch is not started.";
  for (const [hz, startS, lastS, toHz] of TONES[name] || TONES.chime) note(hz, startS, lastS, toHz || hz, level);
  return "A tone was played.";
}

// While the pot fills the pitch climbs with the pressure: `share` of the way to the target.
export function rising(share) {
  if (audio) note(260 + 520 * Math.min(1, Math.max(0, share)), 0, 0.16, 300 + 620 * Math.min(1, Math.max(0, share)), 0.25);
}

function note(hz, startS, lastS, toHz, level) {
  const at = audio.currentTime + startS, voice = audio.createOscillator(), gain = audio.createGain();
  voice.type = "triangle";
  voice.frequency.setValueAtTime(hz, at);
  voice.frequency.linearRampToValueAtTime(toHz, at + lastS);
  gain.gain.setValueAtTime(0, at);
  gain.gain.linearRampToValueAtTime(level, at + 0.012);
  gain.gain.setValueAtTime(level, Math.max(at + 0.012, at + lastS - 0.03));
  gain.gain.linearRampToValueAtTime(0, at + lastS);
  voice.connect(gain).connect(audio.destination);
  voice.start(at);
  voice.stop(at + lastS + 0.02);
}

export function speak(words, isUrgent = false) {
  if (!window.speechSynthesis) return "This browser does not speak.";
  if (isUrgent) speechSynthesis.cancel();
  const utterance = new SpeechSynthesisUtterance(words);
  utterance.lang = "en";
  speechSynthesis.speak(utterance);
  return "Words were spoken.";
}

export function shake(priority) {
  if (!navigator.vibrate) return "This browser cannot vibrate.";
  return navigator.vibrate(SHAKES[priority] || [80]) ? "It vibrated." : "The phone refused to vibrate.";
}

export async function stayAwake() {
  if (!navigator.wakeLock) return "Screen may sleep: keep it on in the phone's settings.";
  try {
    lock = await navigator.wakeLock.request("screen");
    return "The screen stays on.";
  } catch {
    return "The phone refused to keep the screen on.";
  }
}

document.addEventListener("visibilitychange", () => {
  if (wantsLock && document.visibilityState === "visible" && (!lock || lock.released)) stayAwake();
});

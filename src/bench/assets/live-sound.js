// @ts-check
// Tones and speech, behind one switch. The page shows everything in text as well.

/** Loudest tone, of 1; and how soon a tone follows, s. */
const [LOUD, FOLLOW_S] = [0.12, 0.03];
/** Pitch of a mismatch at the edge of the tolerance, Hz, and of the largest that is told apart. */
const [LOWEST_HZ, HIGHEST_HZ] = [220, 1320];
/** Mismatch with the highest pitch, in tolerances. */
const FAR = 8;

export class Sound {
  /** @type {AudioContext | null} */ #audio = null;
  /** @type {{tone: OscillatorNode, loud: GainNode} | null} */ #steady = null;
  isOn = false;

  /** Has to be called while a tap or key is handled: browsers stay silent otherwise. */
  begin() {
    this.isOn = true;
    this.#audio ??= new AudioContext();
    this.#audio.resume();
    this.tones([660]);
    this.say("Sound is on.");
  }

  end() {
    this.isOn = false;
    this.mismatch(null, 1);
    globalThis.speechSynthesis?.cancel();
  }

  /** Short tones one after the other. @param {number[]} pitches Hz */
  tones(pitches) {
    const audio = this.#audio;
    if (!this.isOn || !audio) return;
    pitches.forEach((pitch, place) => {
      const [tone, loud, at] = [audio.createOscillator(), audio.createGain(), audio.currentTime + 0.16 * place];
      tone.frequency.value = pitch;
      loud.gain.setValueAtTime(0, at);
      loud.gain.linearRampToValueAtTime(LOUD, at + 0.01);
      loud.gain.setValueAtTime(LOUD, at + 0.11);
      loud.gain.linearRampToValueAtTime(0, at + 0.14);
      tone.connect(loud).connect(audio.destination);
      tone.start(at);
      tone.stop(at + 0.15);
    });
  }

  /** A steady tone whose pitch follows a mismatch; silent inside the tolerance. @param {number | null} mismatch @param {number} tolerance */
  mismatch(mismatch, tolerance) {
    const audio = this.#audio;
    if (!audio) return;
    const far = mismatch === null ? 0 : Math.abs(mismatch) / tolerance;
    const isSilent = !this.isOn || far <= 1;
    if (!this.#steady) {
      if (isSilent) return;
      const [tone, loud] = [audio.createOscillator(), audio.createGain()];
      tone.type = "triangle";
      loud.gain.value = 0;
      tone.connect(loud).connect(audio.destination);
      tone.start();
      this.#steady = { tone, loud };
    }
    const { tone, loud } = this.#steady, now = audio.currentTime;
    loud.gain.setTargetAtTime(isSilent ? 0 : LOUD, now, FOLLOW_S);
    if (isSilent) return;
    const part = Math.min(Math.log(far) / Math.log(FAR), 1);
    tone.frequency.setTargetAtTime(LOWEST_HZ * (HIGHEST_HZ / LOWEST_HZ) ** part, now, FOLLOW_S);
  }

  /** @param {string} words */
  say(words) {
    if (!this.isOn || !globalThis.speechSynthesis) return;
    speechSynthesis.cancel();
    const spoken = new SpeechSynthesisUtterance(words);
    spoken.lang = "en";
    speechSynthesis.speak(spoken);
  }
}

/** Turns sound on and off by a box, as it was last on this computer. @param {HTMLInputElement} box @param {Sound} sound */
export const switchBy = (box, sound) => {
  box.checked = localStorage.getItem("live-sound") !== "off";
  box.addEventListener("change", () => {
    localStorage.setItem("live-sound", box.checked ? "on" : "off");
    if (box.checked) sound.begin(); else sound.end();
  });
};

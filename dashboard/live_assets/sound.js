// Tones and buzzes. A tone says which side and how far: cup side low pulses that fall with the error,
// bow side high ones that rise; pulses quicken too, so that pitch is not the only cue. Silent in the
// band, when unsure and through a swing; one tick on coming into the band. Volume never changes.

const PULSE_S = 0.09;
const TICK_S = 0.03;
const TICK_HZ = 880;
const VOLUME = 0.25;
const EDGE_S = 0.008; // a softened start and end: no clicks
const AHEAD_S = 0.03; // pulses due within the next update are set on the audio clock at once

// One sound at a time of an audio clock; works on any context, an offline one too.
export function play(context, at, hz, seconds) {
  const source = context.createOscillator();
  const gain = context.createGain();
  source.frequency.value = hz;
  gain.gain.setValueAtTime(0, at);
  gain.gain.linearRampToValueAtTime(VOLUME, at + EDGE_S);
  gain.gain.setValueAtTime(VOLUME, at + seconds - EDGE_S);
  gain.gain.linearRampToValueAtTime(0, at + seconds);
  source.connect(gain).connect(context.destination);
  source.start(at);
  source.stop(at + seconds + 0.005);
  return {
    stop() {
      gain.gain.cancelScheduledValues(context.currentTime);
      gain.gain.setTargetAtTime(0, context.currentTime, 0.003);
      source.stop(context.currentTime + 0.02);
    },
  };
}

export class Tones {
  constructor() {
    this.on = false;
    this.context = null;
    this.next = 0; // audio time of the next pulse
    this.side = null;
    this.sounding = null;
    this.log = []; // for the benchmark: what was set to sound when, in ms of the page's clock
  }

  // Browsers let sound begin only at a touch: call this from one.
  turn(on) {
    this.on = on;
    if (on && !this.context) this.context = new AudioContext({ latencyHint: "interactive" });
    if (on) this.context.resume();
    if (!on) this.hush();
  }

  // `cue` is {side, hz, every} or null for silence; `arrived` the sample's arrival, ms since 1970.
  follow(cue, arrived) {
    if (!this.on || this.context.state !== "running") return;
    if (!cue) return this.hush();
    const now = this.context.currentTime;
    if (cue.side !== this.side) {
      this.hush();
      this.side = cue.side;
      this.next = now;
    }
    if (this.next > now + AHEAD_S) {
      // The error has grown: the pulse that was due at the old pace comes sooner.
      this.next = Math.min(this.next, now + cue.every);
      return;
    }
    const at = Math.max(now, this.next);
    this.sounding = play(this.context, at, cue.hz, PULSE_S);
    this.next = at + cue.every;
    this.note("pulse", at, cue.hz, arrived);
  }

  tick(arrived) {
    if (!this.on || this.context.state !== "running") return;
    this.hush();
    play(this.context, this.context.currentTime, TICK_HZ, TICK_S);
    this.note("tick", this.context.currentTime, TICK_HZ, arrived);
  }

  hush() {
    if (this.sounding) this.sounding.stop();
    this.sounding = null;
    this.side = null;
  }

  note(kind, at, hz, arrived) {
    if (this.log.length >= 5000) return;
    const { contextTime, performanceTime } = this.context.getOutputTimestamp();
    // Where the clock of the loudspeaker is not told yet, what is set now starts now.
    const starts = performanceTime
      ? performance.timeOrigin + performanceTime + (at - contextTime) * 1000
      : performance.timeOrigin + performance.now() + (at - this.context.currentTime) * 1000;
    this.log.push({ kind, hz, at, set: performance.timeOrigin + performance.now(), starts, arrived });
  }
}

export const canShake = typeof navigator.vibrate === "function";

export class Buzz {
  constructor() {
    this.on = false;
    this.next = 0;
    this.done = []; // patterns that were given, for tests
  }

  // Out of the band: again every so often, as long as it lasts.
  follow(pattern, seconds) {
    if (!pattern) {
      this.next = 0;
      return;
    }
    if (seconds < this.next) return;
    this.next = seconds + 1.2;
    this.give(pattern);
  }

  give(pattern) {
    if (!this.on || !canShake) return;
    navigator.vibrate(pattern);
    if (this.done.length < 1000) this.done.push(pattern);
  }
}

/* Tempo by tapping, and the keys of headphones, keyboards and lock screens. */
(function (d) {
  "use strict";
  const TAPS = 6; // the last ones count
  const PAUSE = 2200; // ms: whoever waits longer begins anew
  const SECONDS = 6; // shorter sounds get no media keys in some browsers

  /** `onbeat(tempo)` from the second tap on. */
  d.tap = function (button, onbeat) {
    let taps = [];
    button.addEventListener("click", (event) => {
      const now = event.timeStamp;
      if (taps.length && now - taps.at(-1) > PAUSE) taps = [];
      taps = [...taps, now].slice(-TAPS);
      if (taps.length > 1) onbeat((60000 * (taps.length - 1)) / (now - taps[0]));
    });
  };

  let silence = null;

  /** Tell the system what plays; `acts`: what its keys do.  It asks for an element that plays, so
      one plays silence. */
  d.mediaKeys = function (on, title, acts) {
    const session = navigator.mediaSession;
    if (!session || !window.MediaMetadata) return;
    if (!silence) {
      silence = new Audio(`data:audio/wav;base64,${silentWave(SECONDS)}`);
      silence.loop = true;
    }
    if (on) silence.play().catch(() => {});
    else silence.pause();
    session.metadata = new MediaMetadata({ title });
    session.playbackState = on ? "playing" : "paused";
    for (const [name, act] of Object.entries(acts)) session.setActionHandler(name, act);
  };

  /** Silence as WAVE: 8 bits, 8 kHz; 128 is the middle. */
  function silentWave(seconds) {
    const size = seconds * 8000;
    const bytes = new Uint8Array(44 + size).fill(128);
    const view = new DataView(bytes.buffer);
    const put = (at, text) => [...text].forEach((letter, index) => { bytes[at + index] = letter.charCodeAt(0); });
    put(0, "RIFF"); view.setUint32(4, 36 + size, true); put(8, "WAVEfmt ");
    view.setUint32(16, 16, true); view.setUint16(20, 1, true); view.setUint16(22, 1, true);
    view.setUint32(24, 8000, true); view.setUint32(28, 8000, true); view.setUint16(32, 1, true); view.setUint16(34, 8, true);
    put(36, "data"); view.setUint32(40, size, true);
    return btoa(Array.from(bytes, (byte) => String.fromCharCode(byte)).join(""));
  }
})(window.drillgen);

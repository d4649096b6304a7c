// The phone's camera in the page, where the browser allows it: on a connection by TLS and with the person's leave.
// The picture goes to whoever asked for it, and nowhere else.
"use strict";
const liveCamera = (() => {
  const allowed = () => window.isSecureContext && !!(navigator.mediaDevices && navigator.mediaDevices.getUserMedia);
  let stream = null, turn = 0;
  function stop(video) {
    turn += 1;
    if (stream) for (const track of stream.getTracks()) track.stop();
    stream = null;
    if (video) video.srcObject = null;
  }
  // Shows it in `video`: true, or false where it was closed before it was open; rejects where there is none or it was
  // refused.
  async function start(video) {
    stop(video);
    const mine = turn, got = await navigator.mediaDevices.getUserMedia({ audio: false, video: { facingMode: "environment", width: { ideal: 1920 }, height: { ideal: 1440 } } });
    if (mine !== turn) {
      for (const track of got.getTracks()) track.stop();
      return false;
    }
    stream = got;
    video.srcObject = stream;
    await video.play();
    return true;
  }
  // What is seen now, as a bitmap.
  const shoot = (video) => createImageBitmap(video);
  window.addEventListener("pagehide", () => stop(null));
  return { allowed, start, stop, shoot };
})();

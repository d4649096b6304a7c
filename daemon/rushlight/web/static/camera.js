// The phone's camera in the page, where the browser allows it: on a connection by TLS and with the person's leave.
// The picture goes to whoever asked for it, and nowhere else.
"use strict";
const liveCamera = (() => {
  const allowed = () => window.isSecureContext && !!(navigator.mediaDevices && navigator.mediaDevices.getUserMedia);
  let stream = null;
  function stop(video) {
    if (stream) for (const track of stream.getTracks()) track.stop();
    stream = null;
    if (video) video.srcObject = null;
  }
  // Shows it in `video`; rejects where there is none or it was refused.
  async function start(video) {
    stop(video);
    stream = await navigator.mediaDevices.getUserMedia({ audio: false, video: { facingMode: "environment", width: { ideal: 1920 }, height: { ideal: 1440 } } });
    video.srcObject = stream;
    await video.play();
  }
  // What is seen now, as a bitmap.
  const shoot = (video) => createImageBitmap(video);
  window.addEventListener("pagehide", () => stop(null));
  return { allowed, start, stop, shoot };
})();

"use strict";

// A camera at the bench: the first press shows what it sees, the next sends a still of it by the
// same form as a file. Without a camera, or on a page that is not safe enough for one, the button
// stays away and the field takes a file.

const button = document.getElementById("camera");
const seen = document.getElementById("seen");
const file = document.querySelector("input[name=photo]");
button.hidden = !navigator.mediaDevices;

button.addEventListener("click", async () => {
  if (!seen.srcObject) {
    try {
      const wanted = { video: { width: { ideal: 1920 }, facingMode: "environment" } };
      seen.srcObject = await navigator.mediaDevices.getUserMedia(wanted);
    } catch {
      button.disabled = true;
      return;
    }
    seen.hidden = false;
    await seen.play();
    return;
  }
  const still = document.createElement("canvas");
  still.width = seen.videoWidth;
  still.height = seen.videoHeight;
  still.getContext("2d").drawImage(seen, 0, 0);
  still.toBlob((picture) => {
    const files = new DataTransfer();
    files.items.add(new File([picture], "still.jpg", { type: picture.type }));
    file.files = files.files;
    file.form.requestSubmit();
  }, "image/jpeg", 0.9);
});

// A phone's picture has several megabytes and the record takes one: it is made
// smaller before it is sent. Without this script one chooses a smaller picture.
const MOST_SIDE = 1600;
const MOST_BYTES = 900000;
document.addEventListener("change", async (e) => {
  const field = e.target;
  if (!(field instanceof HTMLInputElement) || !field.hasAttribute("data-shrink")) return;
  const file = field.files[0];
  if (!file) return;
  try {
    const image = await createImageBitmap(file);
    const scale = Math.min(1, MOST_SIDE / Math.max(image.width, image.height));
    if (scale === 1 && file.size <= MOST_BYTES) return;
    const canvas = document.createElement("canvas");
    canvas.width = Math.round(image.width * scale);
    canvas.height = Math.round(image.height * scale);
    canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
    for (const quality of [0.85, 0.7, 0.5]) {
      const small = await new Promise((done) => canvas.toBlob(done, "image/jpeg", quality));
      if (!small || small.size > MOST_BYTES) continue;
      if (field.files[0] !== file) return; // another one was chosen meanwhile
      const sent = new DataTransfer();
      sent.items.add(new File([small], file.name.replace(/\.\w+$/, "") + ".jpg", { type: "image/jpeg", lastModified: file.lastModified }));
      field.files = sent.files;
      return;
    }
  } catch {
    // what cannot be read here is sent as it is, and the answer says what is wrong
  }
});

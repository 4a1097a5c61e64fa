/**
 * How does a phone's photo become small enough to keep? Drawn anew at most 1,600 px wide or high and written as JPEG: that
 * also turns it the right way up, and leaves behind what the camera wrote of place and owner.
 */
const MOST_PX = 1_600;
const QUALITY = 0.82;

/** The smaller picture as a canvas, fit to be shown; null: the browser cannot read it. */
export async function readPhoto(file: Blob): Promise<HTMLCanvasElement | null> {
  const bitmap = await createImageBitmap(file).catch(() => null);
  if (bitmap === null) return null;
  const scale = Math.min(1, MOST_PX / Math.max(bitmap.width, bitmap.height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.max(1, Math.round(bitmap.width * scale));
  canvas.height = Math.max(1, Math.round(bitmap.height * scale));
  canvas.getContext("2d")?.drawImage(bitmap, 0, 0, canvas.width, canvas.height);
  bitmap.close();
  return canvas;
}

/** Its octets as JPEG; null: the browser cannot write it. */
export function photoOctets(canvas: HTMLCanvasElement): Promise<Blob | null> {
  return new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", QUALITY));
}

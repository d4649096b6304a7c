// The share of a picture that is leaf: excess green (Woebbecke et al. 1995, Trans. ASAE 38:259) parted by Otsu's
// threshold (1979, IEEE Trans. SMC 9:62), white-balanced on a mark.  Numbers in, numbers out; touches no page.
"use strict";
const leafCover = (() => {
  // Of excess green what lies beyond these counts as these: how green a leaf is does not matter, and the wide spread of
  // greens would pull Otsu's threshold into the leaves (measured on rendered scenes).
  const FLOOR = -0.1, CAP = 0.2, STEP = 0.005, BINS = 61;
  // Below this sum of the three codes a pixel is too dark to have a colour: it counts as no leaf.
  const DARK = 45;
  // Otsu parts whatever it is given, noise and two greens too.  Classes that both are leaf or both are none say that
  // there is one class only: then the fixed middle decides (own choice, measured on rendered scenes).
  const MIDDLE = 0.08, BARE = 0.12, LEAF = 0.12;

  const linear = (v) => { const a = v / 255; return a <= 0.04045 ? a / 12.92 : ((a + 0.055) / 1.055) ** 2.4; };
  const coded = (a) => 255 * (a <= 0.0031308 ? 12.92 * a : 1.055 * a ** (1 / 2.4) - 0.055);

  // 2g - r - b of the shares r = R/(R+G+B) and so on of coded values, as the paper has it: grey is 0, pure green 2.
  const excessGreen = (r, g, b) => { const sum = r + g + b; return sum > 0 ? (2 * g - r - b) / sum : 0; };

  // Otsu: the last bin of the lower class, where the variance between the classes is greatest; the first of equals.
  function otsu(counts) {
    let n = 0, total = 0;
    counts.forEach((c, i) => { n += c; total += c * i; });
    let below = 0, sum = 0, best = -1, at = 0;
    for (let i = 0; i < counts.length - 1; i++) {
      below += counts[i]; sum += counts[i] * i;
      if (!below || below === n) continue;
      const apart = sum / below - (total - sum) / (n - below), between = below * (n - below) * apart * apart;
      if (between > best) { best = between; at = i; }
    }
    return at;
  }

  // Factors for the channels, in linear light, that make the mark grey; null where it is clipped or too dark.
  function balance(pixels, width, height, x, y, radius) {
    const sum = [0, 0, 0]; let n = 0, spoilt = 0;
    for (let j = Math.max(0, Math.round(y - radius)); j <= Math.min(height - 1, y + radius); j++)
      for (let i = Math.max(0, Math.round(x - radius)); i <= Math.min(width - 1, x + radius); i++) {
        const k = 4 * (j * width + i), most = Math.max(pixels[k], pixels[k + 1], pixels[k + 2]);
        n++; if (most > 252 || most < 25) spoilt++;
        for (let c = 0; c < 3; c++) sum[c] += linear(pixels[k + c]);
      }
    if (!n || spoilt > 0.1 * n || Math.min(...sum) <= 0) return null;
    const middle = (sum[0] + sum[1] + sum[2]) / 3;
    return sum.map((v) => middle / v);
  }

  const inside = (corners, x, y) => {
    let within = false;
    for (let i = 0, j = corners.length - 1; i < corners.length; j = i++) {
      const [xi, yi] = corners[i], [xj, yj] = corners[j];
      if ((yi > y) !== (yj > y) && x < (xj - xi) * (y - yi) / (yj - yi) + xi) within = !within;
    }
    return within;
  };

  // Each value the mean of the three by three about it: noise has colour too.  Not of the codes, as bright leaves would
  // spread over dark ground.
  function averaged(values, width, height) {
    const across = new Float32Array(values.length), out = new Float32Array(values.length);
    for (let y = 0, p = 0; y < height; y++) for (let x = 0; x < width; x++, p++)
      across[p] = (values[x ? p - 1 : p] + values[p] + values[x < width - 1 ? p + 1 : p]) / 3;
    for (let y = 0, p = 0; y < height; y++) for (let x = 0; x < width; x++, p++)
      out[p] = (across[y ? p - width : p] + across[p] + across[y < height - 1 ? p + width : p]) / 3;
    return out;
  }

  // RGBA codes, the corners about the plants in pixels, factors from `balance`.  What lies outside counts for nothing.
  // Gives the share, the threshold, whether one class alone was found, and 1 for each pixel that counts as leaf.
  function measure(pixels, width, height, corners, gains = [1, 1, 1]) {
    const tables = gains.map((f) => Float32Array.from({ length: 256 }, (_, v) => coded(f * linear(v))));
    const raw = new Float32Array(width * height), counts = new Array(BINS).fill(0), within = [];
    for (let p = 0, k = 0; p < raw.length; p++, k += 4) {
      const r = tables[0][pixels[k]], g = tables[1][pixels[k + 1]], b = tables[2][pixels[k + 2]];
      raw[p] = Math.min(CAP, Math.max(FLOOR, r + g + b < DARK ? 0 : excessGreen(r, g, b)));
    }
    const green = averaged(raw, width, height);
    for (let y = 0, p = 0; y < height; y++) for (let x = 0; x < width; x++, p++) if (inside(corners, x + 0.5, y + 0.5)) {
      within.push(p);
      counts[Math.round((green[p] - FLOOR) / STEP)]++;
    }
    const n = within.length;
    if (!n) return null;
    const split = otsu(counts), means = [0, 0], sizes = [0, 0];
    counts.forEach((c, i) => { const k = i <= split ? 0 : 1; sizes[k] += c; means[k] += c * (FLOOR + i * STEP); });
    means[0] /= sizes[0] || 1; means[1] /= sizes[1] || 1;
    const alone = !sizes[0] || !sizes[1] || means[1] < LEAF || means[0] > BARE;
    const threshold = alone ? MIDDLE : FLOOR + (split + 0.5) * STEP;
    const leaf = new Uint8Array(width * height);
    let most = 0;
    for (const p of within) if (green[p] > threshold) { leaf[p] = 1; most++; }
    return { share: most / n, threshold, alone, leaf, pixels: n };
  }
  return { excessGreen, otsu, balance, measure };
})();

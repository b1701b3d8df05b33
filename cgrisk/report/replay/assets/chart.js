// Canvases that keep their size in device pixels, and a still layer under what moves.

const INK = "#20262e", GREY = "#5f6873", LINE = "#c9ced4", PALE = "#e3e6ea";
const AFT = "#0072b2", FORWARD = "#b45309", WARN = "#d55e00", CREW = "#009e73";
const FONT = 'system-ui, "DejaVu Sans", sans-serif';

// A canvas with `still(g, w, h)` drawn once a size and `moving(g, w, h)` drawn every frame over it.
function chart(canvas, still) {
  const back = document.createElement("canvas");
  const front = canvas.getContext("2d");
  let key = "";
  return {
    canvas,
    begin(extra = "") {
      const ratio = window.devicePixelRatio || 1;
      const w = canvas.clientWidth, h = canvas.clientHeight;
      const now = `${w} ${h} ${ratio} ${extra}`;
      if (now !== key && w > 0) {
        key = now;
        for (const one of [canvas, back]) {
          one.width = Math.round(w * ratio);
          one.height = Math.round(h * ratio);
        }
        const g = back.getContext("2d");
        g.setTransform(ratio, 0, 0, ratio, 0, 0);
        still(g, w, h);
      }
      front.setTransform(1, 0, 0, 1, 0, 0);
      front.clearRect(0, 0, canvas.width, canvas.height);
      front.drawImage(back, 0, 0);
      front.setTransform(ratio, 0, 0, ratio, 0, 0);
      return [front, w, h];
    },
  };
}

function write(g, text, x, y, colour = GREY, align = "left", size = 11) {
  g.font = `${size}px ${FONT}`;
  g.textAlign = align;
  g.fillStyle = colour;
  g.fillText(text, x, y);
}

// A text as far as it fits into a width: whole, shortened, or not at all.
function fitted(g, text, width, size = 11) {
  g.font = `${size}px ${FONT}`;
  if (g.measureText(text).width <= width) return text;
  const letters = Array.from(text);
  let keep = letters.length;
  while (keep > 3 && g.measureText(`${letters.slice(0, keep).join("")}…`).width > width) keep -= 1;
  const short = `${letters.slice(0, keep).join("")}…`;
  return g.measureText(short).width <= width ? short : "";
}

// Round steps for an axis: about `count` of them from low to high.
function ticks(low, high, count) {
  const rough = (high - low) / count, power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((f) => f * power).find((s) => s >= rough) || power;
  const out = [];
  for (let k = Math.ceil(low / step); k * step <= high; k += 1) out.push(k * step);
  return out;
}

/** The pen that writes SVG: what a canvas would draw, as elements, worked out by hand. */
import { Fragment, h } from "preact";
import { renderToString } from "preact-render-to-string";
import { describe, expect, test } from "vitest";
import { SvgPen } from "../../src/report/svg-pen.ts";

function written(draw: (pen: SvgPen) => void): string {
  const pen = new SvgPen("d");
  draw(pen);
  return renderToString(h(Fragment, null, pen.elements()));
}

describe("a pen that writes SVG", () => {
  test("boxes of one ink are one path, another ink begins the next", () => {
    const svg = written((pen) => {
      pen.fillStyle = "#111111";
      pen.fillRect(1, 2, 3, 4);
      pen.fillRect(5.04, 6, 1, 1);
      pen.fillStyle = "#222222";
      pen.fillRect(0, 0, 1, 1);
    });
    expect(svg).toBe(
      '<path d="M1 2h3v4h-3zM5 6h1v1h-1z" fill="#111111"></path><path d="M0 0h1v1h-1z" fill="#222222"></path>',
    );
  });

  test("a line keeps its width, dashes and transparency; a circle is two arcs", () => {
    const svg = written((pen) => {
      pen.strokeStyle = "#333333";
      pen.lineWidth = 2;
      pen.globalAlpha = 0.5;
      pen.setLineDash([4, 3]);
      pen.moveTo(0, 1);
      pen.lineTo(9, 1);
      pen.stroke();
      pen.beginPath();
      pen.arc(5, 5, 2);
      pen.fill();
    });
    expect(svg).toBe(
      '<path d="M0 1L9 1" fill="none" stroke="#333333" stroke-width="2" stroke-dasharray="4 3" stroke-opacity="0.5"></path>' +
        '<path d="M3 5a2 2 0 1 0 4 0a2 2 0 1 0 -4 0" fill="#000000" fill-opacity="0.5"></path>',
    );
  });

  test("what is clipped stands in a group until the state of before is restored, with its shift", () => {
    const svg = written((pen) => {
      pen.save();
      pen.translate(10, 20);
      pen.rect(0, 0, 5, 5);
      pen.clip();
      pen.fillRect(1, 1, 1, 1);
      pen.restore();
      pen.fillRect(1, 1, 1, 1);
    });
    expect(svg).toBe(
      '<clipPath id="d-1"><path d="M10 20h5v5h-5z"></path></clipPath>' +
        '<g clip-path="url(#d-1)"><path d="M11 21h1v1h-1z" fill="#000000"></path></g>' +
        '<path d="M1 1h1v1h-1z" fill="#000000"></path>',
    );
  });

  test("text is escaped, anchored and set down to its middle", () => {
    const svg = written((pen) => {
      pen.font = "10px sans-serif";
      pen.textAlign = "right";
      pen.textBaseline = "middle";
      pen.fillText("<b>&", 7, 20);
    });
    expect(svg).toBe(
      '<text x="7" y="23.5" text-anchor="end" font-size="10" fill="#000000">&lt;b>&amp;</text>',
    );
  });

  test("a longer text is wider, and twice as wide at twice the size", () => {
    const pen = new SvgPen("d");
    pen.font = "10px sans-serif";
    const ten = pen.measureText("Shed 17").width;
    pen.font = "20px sans-serif";
    expect(pen.measureText("Shed 17").width).toBeCloseTo(2 * ten);
    expect(pen.measureText("Shed 171").width).toBeGreaterThan(2 * ten);
  });
});

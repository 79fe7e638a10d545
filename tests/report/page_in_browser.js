// What a reader sees, asked inside the page. Each function is called by page_in_browser.py by its name.
({
  // Text whose contrast against what lies behind it is too small: WCAG 2.2, 1.4.3.
  faintText() {
    const luminance = ([r, g, b]) => {
      const [x, y, z] = [r, g, b].map((v) => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4));
      return 0.2126 * x + 0.7152 * y + 0.0722 * z;
    };
    const parse = (text) => text.match(/[\d.]+/g).map(Number);
    const behind = (element) => {
      for (let at = element; at; at = at.parentElement) {
        const colour = parse(getComputedStyle(at).backgroundColor);
        if (colour.length === 3 || colour[3] > 0) return colour;
      }
      return [255, 255, 255];
    };
    const found = new Map();
    const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    let looked = 0;
    while (walker.nextNode()) {
      const element = walker.currentNode.parentElement;
      if (!walker.currentNode.data.trim() || element.closest("script, style, [hidden]")) continue;
      if (!element.checkVisibility || !element.checkVisibility()) continue;
      const style = getComputedStyle(element);
      const inDrawing = element.closest("svg") !== null;
      const fore = parse(inDrawing ? style.fill : style.color);
      const [light, dark] = [luminance(fore), luminance(behind(element))].sort((a, b) => b - a);
      const ratio = (light + 0.05) / (dark + 0.05);
      const size = parseFloat(style.fontSize);
      const large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
      looked += 1;
      if (ratio < (large ? 3 : 4.5)) found.set(`${element.tagName}.${element.className.baseVal ?? element.className}`, ratio);
    }
    return { looked, faint: Object.fromEntries(found) };
  },

  // The values of a column of the matrix, top to bottom, of the rows that are shown.
  column(place) {
    return [...document.querySelectorAll("#matrix-table tbody tr")].filter((row) => !row.hidden)
      .map((row) => Number(row.cells[place].dataset.v));
  },

  focused() {
    const element = document.activeElement;
    const style = getComputedStyle(element);
    return { tag: element.tagName, text: element.textContent.trim().slice(0, 40), type: element.type ?? "",
             outlined: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2 };
  },

  wider() {
    return document.documentElement.scrollWidth - window.innerWidth;
  },

  loadTime() {
    const [entry] = performance.getEntriesByType("navigation");
    return entry.loadEventEnd - entry.startTime;
  },
})

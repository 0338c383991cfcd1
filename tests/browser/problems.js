// What is wrong with the page as it stands, one sentence each. Contrast after WCAG 2.2, 1.4.3 (4.5 to 1, large
// text 3 to 1); targets after 2.5.8 (24 by 24 px); names of controls after 4.1.2.
() => {
  const found = [];
  const over = document.documentElement.scrollWidth - innerWidth;
  if (over > 0) found.push(`the page is ${over} px too wide`);

  const parts = (text) => (text.match(/[\d.]+/g) || []).map(Number);
  const light = (channel) => {
    const share = channel / 255;
    return share <= 0.04045 ? share / 12.92 : ((share + 0.055) / 1.055) ** 2.4;
  };
  const luminance = ([r, g, b]) => 0.2126 * light(r) + 0.7152 * light(g) + 0.0722 * light(b);
  const ground = (element) => {
    for (let one = element; one; one = one.parentElement) {
      const [r, g, b, a = 1] = parts(getComputedStyle(one).backgroundColor);
      if (a === 1) return [r, g, b];
    }
    return [255, 255, 255];
  };
  const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const told = new Set();
  while (texts.nextNode()) {
    const words = texts.currentNode.textContent.trim();
    const element = texts.currentNode.parentElement;
    if (!words || element.closest("svg, script, template, .plot, .viewer-plot, .visually-hidden, .skip")) continue;
    if (!element.checkVisibility({ visibilityProperty: true })) continue;
    const style = getComputedStyle(element);
    const [one, two] = [luminance(parts(style.color)), luminance(ground(element))].sort((a, b) => b - a);
    const ratio = (one + 0.05) / (two + 0.05);
    const size = parseFloat(style.fontSize);
    const large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
    const key = style.color + ground(element);
    if (ratio < (large ? 3 : 4.5) && !told.has(key)) {
      told.add(key);
      found.push(`“${words.slice(0, 40)}” has a contrast of ${ratio.toFixed(2)}`);
    }
    if (/undefined|NaN|\[object|\{\{|\{%/.test(words)) found.push(`“${words.slice(0, 60)}” is no word`);
  }

  const shown = (element) => element.checkVisibility() && element.getBoundingClientRect().width > 0;
  document.querySelectorAll("input:not([type=hidden]), select, textarea, button, summary, a").forEach((one) => {
    if (!shown(one)) return;
    const pointed = (one.getAttribute("aria-labelledby") || "").split(" ").filter(Boolean);
    const label = one.labels && [...one.labels].map((its) => its.textContent).join("");
    const named = pointed.map((id) => document.getElementById(id)?.textContent).join("");
    const name = one.getAttribute("aria-label") || named || label || one.textContent;
    if (!name.trim()) found.push(`a control has no name: ${one.outerHTML.slice(0, 120)}`);
    // A link in a sentence is as small as its words; a lone box stands in a cell that is tapped with it.
    if (one.matches("a:not(.button), td > [type=checkbox]")) return;
    const target = (one.matches("[type=checkbox], [type=radio]") && one.closest("label")) || one;
    const box = target.getBoundingClientRect();
    if (box.width < 24 || box.height < 24) {
      found.push(`${one.outerHTML.slice(0, 80)} is only ${box.width.toFixed(0)} by ${box.height.toFixed(0)} px`);
    }
  });

  const ids = [...document.querySelectorAll("[id]")].map((one) => one.id);
  const twice = ids.filter((id, place) => ids.indexOf(id) !== place);
  if (twice.length) found.push(`ids stand twice: ${[...new Set(twice)].join(", ")}`);
  return found;
}

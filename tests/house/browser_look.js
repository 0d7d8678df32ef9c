// Measures the entry form as it stands in the page. Returns functions; test_browser.py calls them.
(() => {
  const form = () => document.querySelector('.burn-entry');
  const seen = (el) => {
    const box = el.getBoundingClientRect();
    return box.width > 1 && box.height > 1 && getComputedStyle(el).visibility === 'visible';
  };
  const nameOf = (el) => el.labels?.[0]?.textContent || el.getAttribute('aria-label') || el.innerText || '';
  const boxes = () => [...form().querySelectorAll('input, select, textarea, button')].filter(seen);

  // A CSS colour, however it is written, as red, green, blue and opacity, each 0 to 1.
  const pen = Object.assign(document.createElement('canvas'), { width: 1, height: 1 })
    .getContext('2d', { willReadFrequently: true });
  const rgba = (colour) => {
    pen.clearRect(0, 0, 1, 1);
    pen.fillStyle = colour;
    pen.fillRect(0, 0, 1, 1);
    return [...pen.getImageData(0, 0, 1, 1).data].map((part) => part / 255);
  };
  const over = ([r, g, b, a], under) => [r, g, b].map((part, i) => part * a + under[i] * (1 - a));
  const background = (el) =>
    el ? over(rgba(getComputedStyle(el).backgroundColor), background(el.parentElement)) : [1, 1, 1];

  // WCAG 2.2, "relative luminance" and "contrast ratio".
  const luminance = (rgb) => {
    const [r, g, b] = rgb.map((part) => (part <= 0.04045 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const ratio = (one, other) => {
    const [dark, light] = [luminance(one), luminance(other)].sort((a, b) => a - b);
    return (light + 0.05) / (dark + 0.05);
  };
  const opacity = (el) => (el ? Number(getComputedStyle(el).opacity) * opacity(el.parentElement) : 1);

  const ownText = (el) =>
    el.value !== undefined && el.tagName !== 'BUTTON'
      ? String(el.value)
      : [...el.childNodes].filter((node) => node.nodeType === 3).map((node) => node.data).join('').trim();
  const texts = () =>
    [...form().querySelectorAll('*')].filter(
      (el) => !['STYLE', 'SCRIPT', 'OPTION'].includes(el.tagName) && !el.closest('svg') && seen(el) && ownText(el)
    );
  const outline = (el) => {
    const style = getComputedStyle(el);
    return { style: style.outlineStyle, px: parseFloat(style.outlineWidth), colour: style.outlineColor };
  };

  return {
    // Text, contrast ratio and size in px of every text in the form.
    texts: () =>
      texts().map((el) => {
        const behind = background(el);
        const [r, g, b, a] = rgba(getComputedStyle(el).color);
        return {
          text: ownText(el).slice(0, 60),
          ratio: ratio(over([r, g, b, a * opacity(el)], behind), behind),
          px: parseFloat(getComputedStyle(el).fontSize),
        };
      }),
    // Texts that do not fit where they stand.
    cut: () =>
      texts()
        .filter((el) => el.tagName !== 'SELECT' && getComputedStyle(el).display !== 'inline')
        .filter((el) => el.scrollWidth > el.clientWidth + 1 || (el.tagName !== 'INPUT' && el.scrollHeight > el.clientHeight + 3))
        .map((el) => `${ownText(el).slice(0, 60)} (${el.scrollWidth} × ${el.scrollHeight} px in ${el.clientWidth} × ${el.clientHeight})`),
    // What can be typed into, chosen or pressed, in the order of the page: kind and name.
    reachable: () => boxes().map((el) => [el.type, nameOf(el)]),
    // Boxes with two names, one or none that is its own label.
    unlabelled: () =>
      boxes()
        .filter((el) => el.tagName !== 'BUTTON' && !(el.labels?.length === 1 && el.labels[0].textContent.trim()))
        .map((el) => el.outerHTML.slice(0, 120)),
    // What sticks out of the page to the side.
    wide: () => {
      const output = form().closest('.jp-OutputArea-output');
      const out = boxes().filter((el) => {
        const box = el.getBoundingClientRect(), frame = output.getBoundingClientRect();
        return box.left < frame.left - 1 || box.right > frame.right + 1;
      });
      const page = document.scrollingElement;
      return [
        ...out.map(nameOf),
        ...(page.scrollWidth > innerWidth ? ['the page'] : []),
        ...(output.scrollWidth > output.clientWidth + 1 ? ['the output of the cell'] : []),
      ];
    },
    // The ring around what has the focus: its width in px and its contrast with what is around it;
    // none where it looks the same without the focus.
    ring: () => {
      const el = document.activeElement, held = outline(el);
      el.blur();
      const free = outline(el);
      el.focus();
      const same = held.style === 'none' || JSON.stringify(held) === JSON.stringify(free);
      return {
        box: [el.type, nameOf(el)],
        px: same ? 0 : held.px,
        ratio: same ? 1 : ratio(over(rgba(held.colour), background(el.parentElement)), background(el.parentElement)),
      };
    },
  };
})()

// Keys inside the entry form: done in the page, so that a digit typed right after Enter never lands
// in the box that was just left, however busy the kernel is.
const boxes = 'input:not([type=file]):not(:disabled), select:not(:disabled), button:not(:disabled)';

function reachable(root) {
  return [...root.querySelectorAll(boxes)].filter((box) => 
    box.offsetParent !== null && box.tabIndex >= 0 && !box.closest('.js-plotly-plot'));
}

function goTo(box) {
  if (!box) return;
  box.focus();
  if (box.tagName === 'INPUT') box.select();
  box.scrollIntoView({ block: 'nearest', inline: 'nearest' });
}

function above(root, box, step) {
  const line = box.closest('.burn-row');
  if (!line) return null;
  const lines = [...root.querySelectorAll('.burn-row')];
  const other = lines[lines.indexOf(line) + step];
  return other && reachable(other)[reachable(line).indexOf(box)];
}

function firstEmpty(root) {
  const must = reachable(root).filter((box) => box.closest('.burn-must') && box.tagName === 'INPUT');
  return must.find((box) => box.value === '') ?? must[0];
}

// Where Enter goes on to: the next box; inside a row of the grid the next that has to be filled, and from its end the
// first empty one of the row below. What may stay empty is reached by Tab.
function after(root, box) {
  const all = reachable(root), next = all[all.indexOf(box) + 1];
  const line = box.closest('.burn-row');
  if (!line) return next;
  const right = reachable(line).filter((one) => one.closest('.burn-must') && all.indexOf(one) > all.indexOf(box));
  if (right.length) return right[0];
  const lines = [...root.querySelectorAll('.burn-row')], below = lines[lines.indexOf(line) + 1];
  return below ? firstEmpty(below) : next;
}

function pressed(root, event) {
  const box = event.target;
  if (event.defaultPrevented) return; // The bench around this form has answered already.
  if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === 's') {
    event.preventDefault();
    const save = root.querySelector('button.burn-save');
    if (save) { save.focus(); save.click(); }
    return;
  }
  if (event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return;
  const typed = box.tagName === 'INPUT';
  if (event.key === 'Enter' && (typed || box.tagName === 'SELECT')) {
    event.preventDefault();
    const all = reachable(root);
    goTo(event.shiftKey ? all[all.indexOf(box) - 1] : after(root, box));
  } else if (typed && (event.key === 'ArrowDown' || event.key === 'ArrowUp')) {
    const next = above(root, box, event.key === 'ArrowDown' ? 1 : -1);
    if (next) { event.preventDefault(); goTo(next); }
  }
}

// Says so where the kernel does not answer a box that was left: what is typed then is kept nowhere.
function watch(model, el) {
  const silent = document.createElement('div');
  silent.className = 'burn-silent';
  silent.setAttribute('role', 'alert');
  silent.textContent = 'Not kept: the notebook does not answer. What you type now stands on this page '
    + 'only. Note it down, run the notebook again, and choose Resume.';
  let timer = 0;
  const quiet = () => {
    clearTimeout(timer);
    if (model.get('answered') >= model.get('asked')) silent.remove();
  };
  model.on('change:answered', quiet);
  return (event) => setTimeout(() => { // After the box itself has sent its text.
    if (event.target.closest('.burn-entry') !== el.closest('.burn-entry')) return;
    clearTimeout(timer);
    timer = setTimeout(() => el.after(silent), 4000);
    try {
      model.set('asked', model.get('asked') + 1);
      model.save_changes();
    } catch { el.after(silent); }
  }, 0);
}

// Single letters are commands of the notebook: while a button had the focus, x would cut the cell the
// form stands in. What carries this mark gets no such commands.
function shield(event) {
  event.target.setAttribute('data-lm-suppress-shortcuts', 'true');
}

function render({ model, el }) {
  el.style.display = 'none';
  let root = null;
  const ask = watch(model, el);
  const listen = (event) => pressed(root, event);
  const start = () => {
    root = el.closest('.burn-entry');
    if (!root) return false;
    root.addEventListener('focusin', shield, true);
    // Before the box itself hears of the key: text boxes let none of them through.
    root.addEventListener('keydown', listen, true);
    root.addEventListener('change', ask, true);
    if (model.get('begin')) requestAnimationFrame(() => goTo(firstEmpty(root)));
    return true;
  };
  const wait = new MutationObserver(() => { if (start()) wait.disconnect(); });
  if (!start()) wait.observe(document.body, { childList: true, subtree: true });
  return () => {
    wait.disconnect();
    root?.removeEventListener('keydown', listen, true);
    root?.removeEventListener('change', ask, true);
  };
}

export default { render };

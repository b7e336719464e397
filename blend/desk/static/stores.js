// What the browser keeps for a page, beyond it: where it keeps nothing, or has no room, that is
// reported and never thrown.

/** `name` is "localStorage" (of all windows) or "sessionStorage" (of this one). */
export function storeOf(name) {
  const tried = (act, otherwise) => {
    try {
      return act(window[name]);
    } catch {
      return otherwise;
    }
  };
  return {
    get: (key) => tried((store) => store.getItem(key), null),
    set: (key, text) => tried((store) => store.setItem(key, text) ?? true, false),
    remove: (key) => tried((store) => store.removeItem(key)),
    keys: () => tried((store) => Object.keys(store), []),
  };
}

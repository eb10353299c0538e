// Mouse, touch and keys on a scope: click to seek, wheel or two fingers to zoom, drag to move.

export function listenToPointer(scope) {
  const {holder} = scope;
  const fingers = new Map();
  let moved = 0;
  let spread = 0;

  const seconds = (event) => scope.second(event.clientX - holder.getBoundingClientRect().left);
  const apart = () => Math.max(10, Math.max(...fingers.values()) - Math.min(...fingers.values()));
  const clamp = (second) => Math.min(Math.max(0, second), scope.track.duration_s);

  holder.addEventListener("wheel", (event) => {
    if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
      const step = (event.deltaX / scope.size.width) * (scope.view.to - scope.view.from);
      scope.setView(scope.view.from + step, scope.view.to + step);
    } else scope.zoom(Math.exp(event.deltaY / 400), seconds(event));
    event.preventDefault();
  }, {passive: false});

  holder.addEventListener("pointerdown", (event) => {
    if (event.button) return;
    fingers.set(event.pointerId, event.clientX);
    moved = 0;
    spread = apart();
    holder.setPointerCapture(event.pointerId);
    scope.dispatchEvent(new CustomEvent("press", {detail: {second: seconds(event), event}}));
  });

  holder.addEventListener("pointermove", (event) => {
    if (!fingers.has(event.pointerId)) {
      scope.dispatchEvent(new CustomEvent("hover", {detail: {second: seconds(event), event}}));
      return;
    }
    const step = event.clientX - fingers.get(event.pointerId);
    fingers.set(event.pointerId, event.clientX);
    moved += Math.abs(step);
    if (scope.held) {
      scope.dispatchEvent(new CustomEvent("haul", {detail: {second: clamp(seconds(event))}}));
    } else if (fingers.size === 2) {
      const [a, b] = [...fingers.values()];
      const before = spread;
      spread = apart();
      scope.zoom(before / spread, scope.second((a + b) / 2 - holder.getBoundingClientRect().left));
    } else if (moved > 5) {
      const span = ((scope.view.to - scope.view.from) * step) / (scope.size.width - scope.gutter);
      scope.setView(scope.view.from - span, scope.view.to - span);
    }
  });

  const lift = (event) => {
    const was = fingers.delete(event.pointerId);
    if (scope.held) scope.dispatchEvent(new CustomEvent("drop"));
    else if (was && event.type === "pointerup" && moved <= 5 && !fingers.size) {
      scope.dispatchEvent(new CustomEvent("seek", {detail: {second: clamp(seconds(event)), event}}));
    }
  };
  holder.addEventListener("pointerup", lift);
  holder.addEventListener("pointercancel", lift);
  holder.addEventListener("dblclick", () => scope.showAll());
}

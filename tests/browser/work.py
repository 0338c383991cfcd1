"""What a person does with mouse and keys, in the words of the page."""

from __future__ import annotations

from pathlib import Path
from typing import Any

# Where the focus is, and whether a person can see it there: an outline, or a border that differs.
_FOCUS = """() => {
  const now = document.activeElement;
  const style = getComputedStyle(now);
  const words = (now.labels && now.labels[0] || now).textContent.trim().replace(/\\s+/g, " ");
  const box = now.getBoundingClientRect();
  return {
    words,
    tag: now.tagName,
    outlined: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2,
    onScreen: box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth,
  };
}"""

PROBLEMS = (Path(__file__).parent / "problems.js").read_text()


def drop_file(page: Any, target: str, *, name: str, content: bytes) -> None:
    """Drag a file over ``target`` and let it go there."""
    import base64

    transfer = page.evaluate_handle(
        """([name, text]) => {
          const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
          const transfer = new DataTransfer();
          transfer.items.add(new File([bytes], name));
          return transfer;
        }""",
        [name, base64.b64encode(content).decode()],
    )
    for event in ("dragenter", "dragover", "drop"):
        page.dispatch_event(target, event, {"dataTransfer": transfer})


def tab_to(page: Any, words: str, *, most: int = 60) -> None:
    """Press Tab until what is called ``words`` has the focus, which must be seen at every stop."""
    seen = []
    for _ in range(most):
        page.keyboard.press("Tab")
        focus = page.evaluate(_FOCUS)
        assert focus["outlined"], f"the focus on “{focus['words'][:60]}” ({focus['tag']}) cannot be seen"
        assert focus["onScreen"], f"the focus on “{focus['words'][:60]}” ({focus['tag']}) is off the screen"
        if focus["words"].startswith(words):
            return
        seen.append(focus["words"][:40])
    raise AssertionError(f"“{words}” is not reached by Tab; reached were {seen}")

// The aircraft's other doors, nose to tail, each with what is true of it: one press brings it to the front.

import { useEffect, useRef } from "preact/hooks";
import { bringForward, front, monitor, picture } from "./live.ts";
import { t, tAny } from "./words.ts";

export function Doors() {
  const { doors, order } = picture.value;
  const list = useRef<HTMLUListElement>(null);
  const shown = front.value?.door;
  // On a narrow screen the list is drawn along; the door in front is to be seen in it.
  useEffect(() => {
    const at = list.current?.querySelector('[aria-current="true"]')?.parentElement;
    if (at != null && list.current !== null) list.current.scrollLeft = at.offsetLeft - list.current.offsetLeft - 24;
  }, [shown]);
  return (
    <nav class="doors" aria-label={t("doors")}>
      <ul ref={list}>
        {order.map((name) => {
          const door = doors[name];
          if (door === undefined) return null;
          const told = monitor.value?.doors[name]?.state ?? undefined;
          return (
            <li key={name}>
              <button type="button" aria-current={shown === name} onClick={() => bringForward(name)}>
                <strong>{name}</strong>
                <span class="doors-kind">{tAny(`kind.${door.kind}`, door.kind)}</span>
                <span class={told !== undefined && told !== door.state ? "doors-state differs" : "doors-state"}>
                  {tAny(`state.${door.state}`, door.state)}
                </span>
              </button>
            </li>
          );
        })}
      </ul>
    </nav>
  );
}

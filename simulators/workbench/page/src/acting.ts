// What is done by hand: orders, positions, and what lasts only as long as somebody holds it.
//
// A hold is renewed while the finger or the key is down, and the server lets go by itself where it is not: a page
// that is closed, or a link that is cut, leaves no hand on the door.

import { signal, type Signal } from "@preact/signals";
import { Mover, type Part } from "./hand.ts";

/** Why the last thing was not done; empty where it was. */
export const refusal: Signal<string> = signal("");

interface Problem {
  title?: string;
  detail?: string;
}

export async function send(path: string, body: unknown): Promise<boolean> {
  try {
    const answer = await fetch(`/api/${path}`, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(body),
      signal: AbortSignal.timeout(10_000),
    });
    if (answer.ok) {
      refusal.value = "";
      return true;
    }
    const problem = (await answer.json()) as Problem;
    refusal.value = problem.detail ?? problem.title ?? String(answer.status);
  } catch (error) {
    refusal.value = error instanceof Error ? error.message : String(error);
  }
  return false;
}

export const order = (phrase: string, door?: string): void =>
  void send("orders", door === undefined ? { do: phrase } : { do: phrase, door });

/** Have a sensor fail in some way, or with `mend` tell the truth again. */
export const sendFault = (reading: string, fault: string, amount: boolean | number | string | null = null): Promise<boolean> =>
  send("faults", { reading, fault, ...(amount === null ? {} : { amount }) });

const mover = new Mover(send);
export const move = (door: string, part: Part, to: number): void => mover.move(door, part, to);

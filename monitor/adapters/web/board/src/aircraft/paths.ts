// Where the service answers about an aircraft, and which door of it an address means. Owns addresses alone: asks for nothing.

/** The address of an aircraft or of something of it; every part is encoded, so that none can reach another address. */
export const pathOf = (registration: string, ...parts: readonly string[]): string =>
  ["/api/v1/aircraft", ...[registration, ...parts].map((part) => encodeURIComponent(part))].join("/");

/** The door that was named, if the aircraft has it; whoever made the address could write anything there. */
export function knownDoor(named: string | null, doors: Iterable<string>): string | null {
  for (const door of doors) if (door === named) return door;
  return null;
}

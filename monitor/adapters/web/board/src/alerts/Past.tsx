// What the alerts page shows of the past: fetched as one part, once the present stands.

export { Audit } from "./Audit.tsx";
export { History } from "./History.tsx";

// What the service answers about drills and procedures, as types. Whatever may be wanting is optional.

/** One of GET /api/v1/procedures. */
export interface ProcedureDocument {
  procedure: string;
  title: string;
  /** The kinds of door that it fits. */
  kinds?: string[];
}

/** One of GET /api/v1/drills. */
export interface DrillDocument {
  permit_id: string;
  name: string | null;
  procedure?: string | null;
  aircraft: string;
  doors: string[];
  by: string;
  began_at: string;
  ended_at: string | null;
  until: string;
  trainee?: string | null;
  simulated?: boolean;
  runs?: string[];
}

export interface Drills {
  items: DrillDocument[];
  next?: string | null;
  /** For how many days the label of a trainee is kept; 0: none is taken. */
  keep_labels_days?: number;
}

export interface Procedures {
  items: ProcedureDocument[];
  /** As in `Drills`. */
  keep_labels_days?: number;
}

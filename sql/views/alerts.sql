-- The alert book: one row per unit and suspected cause, closed ones too.
-- : as of | no | the alert book keeps what was decided, not what it looked like on a day | leave AS OF away and ask for raised_at up to the time, or let 'alerts list --as-of TIME' work the book out again from the readings
SELECT
    id, -- VARCHAR | stable name of the alert | | never
    unit, -- VARCHAR | the unit | | never
    vin, -- VARCHAR | vehicle identification number | | null where not known
    ecu, -- VARCHAR | the control unit; lower-case hex | | null where the cause has none
    tests, -- VARCHAR[] | the tests that support it; the first raised it | | never
    family, -- VARCHAR | what the tests watch | | null where not known
    kind, -- VARCHAR | drift, jump, imminent, failed, intermittent, surprise or not_running | | never
    consequence, -- VARCHAR | stop, road_call, compliance, cost or note | | never
    state, -- VARCHAR | open, acknowledged, explained, muted, ordered, verifying, closed or withdrawn | | never
    raised_at, -- TIMESTAMP | time of the reading that raised it | UTC | never
    drift_since, -- TIMESTAMP | drift began no later than this | UTC | null where there is no drift
    margin, -- DOUBLE | margin of the newest reading of the first test | 1 | null where not defined
    limit_p10, -- TIMESTAMP | one in ten: the limit is reached by then | UTC | null where unknown or beyond a year
    limit_p50, -- TIMESTAMP | as likely as not: the limit is reached by then | UTC | null where unknown or beyond a year
    limit_p90, -- TIMESTAMP | nine in ten: the limit is reached by then | UTC | null where unknown or beyond a year
    reason, -- VARCHAR | why, in plain words | | never
    explained_by, -- VARCHAR | the circumstance that explains it away | | null where none was given
    order_id -- VARCHAR | the work order it led to | | null where there is none
FROM {{.Rows}}

-- What did the shop find? One row per alert that led to a visit.
SELECT
    a.id AS alert, -- VARCHAR | the alert | | never
    a.unit, -- VARCHAR | the unit | | never
    a.family, -- VARCHAR | what the tests watch | | null where not known
    a.consequence, -- VARCHAR | stop, road_call, compliance, cost or note | | never
    a.kind, -- VARCHAR | what raised it | | never
    a.raised_at, -- TIMESTAMP | when it was raised | UTC | never
    a.state, -- VARCHAR | where it stands now | | never
    o.id AS work_order, -- VARCHAR | the work order | | never
    o.outcome, -- VARCHAR | what was found | | null while open
    o.closed_at, -- TIMESTAMP | when the order was closed | UTC | null while open
    round(date_diff('hour', a.raised_at, o.closed_at) / 24, 1) AS days, -- DOUBLE | days from the alert to the end of the visit | d | null while open
    o.note -- VARCHAR | the shop's own words | | null where none was given
FROM work_orders o
JOIN alerts a ON a.order_id = o.id OR list_contains(o.alert_ids, a.id)
ORDER BY o.closed_at NULLS LAST, a.raised_at, a.id

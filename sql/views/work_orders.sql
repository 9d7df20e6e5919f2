-- Work orders: one row per visit.
-- : as of | no | an order is changed in its place | leave AS OF away and ask for created_at up to the time
SELECT
    id, -- VARCHAR | number of the order | | never
    unit, -- VARCHAR | the unit | | never
    vin, -- VARCHAR | vehicle identification number | | null where not known
    state, -- VARCHAR | where the order stands | | never
    created_at, -- TIMESTAMP | when it was written | UTC | never
    due, -- DATE | the day the unit is to come in | | null where not planned
    shop, -- VARCHAR | the shop that does it | | null where not planned
    alert_ids, -- VARCHAR[] | the alerts it answers | | never
    outcome, -- VARCHAR | what was found | | null while open
    note, -- VARCHAR | the shop's own words | | null where none was given
    closed_at -- TIMESTAMP | when it was closed | UTC | null while open
FROM {{.Rows}}

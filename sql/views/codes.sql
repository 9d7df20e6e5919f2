-- One row per trouble code, kind, control unit and vehicle, over all its reports.
-- : as of | yes | over the reports committed by then; the unit is by the present roster |
SELECT
    {{.Unit}} AS unit, -- VARCHAR | the unit the VIN, or else the device, belongs to in the present roster | | null where the roster does not tell
    r.vin, -- VARCHAR | vehicle identification number | | null where the report gave none
    r.device, -- VARCHAR | the dongle that sent the reports | | never
    r.ecu, -- VARCHAR | the control unit that keeps the code; lower-case hex | | never
    r.kind, -- VARCHAR | pending, confirmed, permanent, active or previous | | never
    r.code, -- VARCHAR | P0420, P0420-00 (with failure type) or s3242.f16 | | never
    r.first_seen, -- TIMESTAMP | the earliest report that held the code | UTC | never
    r.last_seen, -- TIMESTAMP | the newest report that held the code | UTC | never
    r.reports -- BIGINT | reports that held the code | 1 | never
FROM (
    SELECT vin, device, ecu, kind, code,
        min(read_at) AS first_seen, max(read_at) AS last_seen, count(DISTINCT report_id) AS reports
    FROM {{.Rows}}
    GROUP BY ALL
) r
{{.Roster}}

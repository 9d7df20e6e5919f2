-- How early were we? One row per trouble code that was first confirmed after seven days of data of its vehicle, with the alert before it, if there was one.
-- : days | INTEGER | 180 | how long before the code an alert still counts
SELECT
    c.unit, -- VARCHAR | the unit | | never
    c.ecu, -- VARCHAR | the control unit that keeps the code; lower-case hex | | never
    c.code, -- VARCHAR | the trouble code | | never
    c.first_seen AS code_at, -- TIMESTAMP | first report that held it confirmed or active | UTC | never
    arg_min(a.id, a.raised_at) AS alert, -- VARCHAR | the earliest alert before it | | null where none came first
    arg_min(a.family, a.raised_at) AS family, -- VARCHAR | what the tests of that alert watch | | null where none came first
    arg_min(a.kind, a.raised_at) AS kind, -- VARCHAR | what raised that alert | | null where none came first
    min(a.raised_at) AS raised_at, -- TIMESTAMP | when that alert was raised | UTC | null where none came first
    round(date_diff('hour', min(a.raised_at), c.first_seen) / 24, 1) AS lead_days -- DOUBLE | days from the alert to the code | d | null where none came first
FROM (
    SELECT unit, ecu, code, min(first_seen) AS first_seen FROM codes
    WHERE kind IN ('confirmed', 'active') AND unit IS NOT NULL GROUP BY 1, 2, 3
) c
JOIN (SELECT unit, min(read_at) AS began FROM reports WHERE clock_ok GROUP BY 1) r ON r.unit = c.unit AND c.first_seen >= r.began + INTERVAL 7 DAY
LEFT JOIN alerts a ON a.unit = c.unit AND (a.ecu IS NULL OR a.ecu = c.ecu) AND a.kind <> 'surprise' AND a.state <> 'withdrawn'
    AND a.raised_at < c.first_seen AND a.raised_at >= c.first_seen - to_days(days)
GROUP BY 1, 2, 3, 4
ORDER BY 4, 1, 3

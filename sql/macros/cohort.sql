-- Does the whole cohort move? One row per week and engine family of a test: weather, fuel and a new calibration move many units at once, a fault moves one.
-- : what | VARCHAR | | the test
SELECT
    week, -- DATE | Monday of the week, UTC | | never
    engine_family, -- VARCHAR | group of like engines | | null where not given
    count(*) AS units, -- BIGINT | units with a judged result in that week | 1 | never
    median(margin) AS margin, -- DOUBLE | median over the units of their median margin | 1 | never
    quantile_cont(margin, 0.1) AS margin_p10, -- DOUBLE | one unit in ten is below | 1 | never
    quantile_cont(margin, 0.9) AS margin_p90, -- DOUBLE | one unit in ten is above | 1 | never
    median(margin) - lag(median(margin)) OVER (PARTITION BY engine_family ORDER BY week) AS moved, -- DOUBLE | change since the week before that has results | 1 | null in the first week
    avg(ambient) AS ambient_c -- DOUBLE | ambient air temperature, mean over the units | Cel | null where not read
FROM (
    SELECT date_trunc('week', r.read_at)::DATE AS week, u.engine_family, r.unit, median(r.margin) AS margin, avg(r.ambient_c) AS ambient
    FROM readings r JOIN units u ON u.unit = r.unit
    WHERE r.test = what AND r.state = 'ok' AND r.clock_ok AND r.margin IS NOT NULL
    GROUP BY 1, 2, 3
)
GROUP BY 1, 2
ORDER BY 2, 1

-- The roster: one row per unit.
-- : as of | present | the roster keeps no past states: the present one is shown, and the answer says so |
SELECT
    unit, -- VARCHAR | the number painted on the vehicle | | never
    vin, -- VARCHAR | vehicle identification number | | null where the roster gives none
    device, -- VARCHAR | the dongle plugged into the unit | | null where the roster gives none
    depot, -- VARCHAR | where the unit is based | | null where not given
    time_zone, -- VARCHAR | IANA time zone of the depot, such as America/Chicago | | null where not given
    engine_family, -- VARCHAR | group of like engines | | null where not given
    fuel, -- VARCHAR | fuel the unit runs on | | null where not given
    weight_class, -- VARCHAR | light, medium or heavy | | null where not given
    gvwr_kg, -- DOUBLE | gross vehicle weight rating | kg | null where not given
    state, -- VARCHAR | state or province of registration | | null where not given
    tank_l, -- DOUBLE | fuel tank | L | null where not given
    in_service_date, -- DATE | first day in service | | null where not given
    odometer_km, -- DOUBLE | odometer at the time of the roster | km | null where not given
    engine_hours, -- DOUBLE | engine hours at the time of the roster | h | null where not given
    pm_interval_km, -- DOUBLE | distance between planned services | km | null where not given
    pm_interval_days, -- DOUBLE | days between planned services | d | null where not given
    pm_interval_hours, -- DOUBLE | engine hours between planned services | h | null where not given
    pm_last_date, -- DATE | last planned service | | null where not given
    pm_last_km, -- DOUBLE | odometer at the last planned service | km | null where not given
    pm_last_hours, -- DOUBLE | engine hours at the last planned service | h | null where not given
    inspection_due -- DATE | last day of the present inspection | | null where not given
FROM {{.Rows}}

-- One row per report received.
-- : as of | yes | as committed by then; the unit is by the present roster |
SELECT
    r.report_id, -- VARCHAR | the report's own id | | never
    r.read_at, -- TIMESTAMP | when the report was made, by the device's clock; the receive time where clock_ok is false | UTC | never
    r.clock_ok, -- BOOLEAN | the device's clock could be believed | | never
    r.received_at, -- TIMESTAMP | when the report reached us | UTC | never
    {{.Unit}} AS unit, -- VARCHAR | the unit the VIN, or else the device, belongs to in the present roster | | null where the roster does not tell
    r.vin, -- VARCHAR | vehicle identification number, from the report or read from the vehicle | | null where neither gave one
    r.device, -- VARCHAR | the dongle that sent the report | | never
    r.bus, -- VARCHAR | can, j1850, iso9141, iso14230, j1939 or uds | | never
    r.messages, -- INTEGER | diagnostic messages in the report | 1 | never
    r.rejected, -- INTEGER | of these, how many went to the quarantine | 1 | never
    r.results, -- INTEGER | test results in the report | 1 | never
    r.codes, -- INTEGER | trouble codes in the report | 1 | never
    r.engine_hours, -- DOUBLE | engine hours when read | h | null where not read
    r.odometer_km, -- DOUBLE | odometer when read | km | null where not read
    r.fuel_level_pct, -- DOUBLE | fuel level when read | % | null where not read
    r.ambient_c, -- DOUBLE | ambient air temperature when read | Cel | null where not read
    r.coolant_c, -- DOUBLE | coolant temperature when read | Cel | null where not read
    r.barometric_kpa, -- DOUBLE | barometric pressure when read | kPa | null where not read
    r.run_time_s, -- DOUBLE | time since engine start when read | s | null where not read
    r.warmups_since_clear, -- DOUBLE | warm-up cycles since codes were cleared | 1 | null where not read
    r.distance_since_clear_km, -- DOUBLE | distance since codes were cleared | km | null where not read
    r.minutes_since_clear, -- DOUBLE | engine running time since codes were cleared | min | null where not read
    r.cvns -- VARCHAR | calibration verification numbers of each control unit: ecu=numbers, joined by a space; the numbers of one joined by + | | null where none was read
FROM {{.Rows}} r
{{.Roster}}

"""The hand's way into a running simulator: what a control panel or a test may ask for.

Over TCP, UTF-8, one JSON object a line, both ways; any number of clients at once. Nothing here reaches the data line
except through the physics: what a client changes shows up in the torque that the transducer sends, as on a bench.

A request carries `do` and, if the client likes, an `id` that comes back with the answer:

    {"id": 7, "do": "pull", "manner": "steady"}
    {"id": 7, "ok": true}
    {"id": 8, "do": "pull", "manner": "gently"}
    {"id": 8, "ok": false, "error": "manner: 'gently' is not one of steady, jerky, …"}

Answers come in the order of the requests. In between, the simulator pushes `{"state": {…}}` on connecting, whenever
something changed, and ten times a second while torque stands on the tool. A client that does not read loses pushed
states, never answers; one that sends a line longer than 64 kB is dropped.

Torque is in N·m whatever the data line sends; times in seconds since the simulator started.

`{"do": "state"}`
    Answers `{"ok": true, "state": {…}}`.
`{"do": "key", "down": true}`
    The hand begins to pull, steadily, for as long as the key is down; `"down": false` eases off. With a setting tool
    the arm does not stop at the click by itself: that is the person's task. `"rate"`: percent of the target per
    second, default 20.
`{"do": "pull", "manner": M}`
    One whole pull by itself. M: `steady`, `jerky`, `snatched`, `past-click`, `short`, `twice`, `shaky`, `reach` (for
    indicating tools: goes to the target and holds). Options: `target` (N·m; default the tool's setting), `hold_s`
    (for `reach`, default 2.0), `rate` (percent of the target per second near the end; for `steady` and `shaky`),
    `delay_s` (default 0.3). Refused while a pull is under way. An indicating tool never lets go: `steady` goes on
    for a second past the target unless released; use `reach`.
`{"do": "release"}`
    The hand lets off now, whatever it was doing.
`{"do": "knock"}`
    A short knock against the drive, as when seating the tool. `torque`: N·m, default 3 % of the capacity.
`{"do": "tool", "kind": K, "max": 200}`
    K: `click-wrench`, `dial-wrench`, `electronic-wrench`, `click-screwdriver`, `slipping-screwdriver`. `max` in N·m.
    The setting becomes the maximum (indicating tools: 60 % of it), the true error stays. `"weak": true`: a worn
    mechanism whose torque falls by 3 to 7 % only. Refused while a pull is under way.
`{"do": "set", "torque": 40.0}`
    Sets the tool (setting tools), or the torque that `reach` and `key` aim at (indicating tools).
`{"do": "error", "percent": 3.0}`
    The tool's true error: it delivers that much more than it says. A setting tool lets go at
    setting × (1 + percent/100); an indicating tool shows torque / (1 + percent/100). `"spread"`: standard deviation
    from pull to pull in percent, default unchanged (0.3 at the start).
`{"do": "direction", "direction": "anticlockwise"}`
    Or `clockwise`. Refused while a pull is under way.
`{"do": "mount", "on": true}`
    Puts the tool on the drive: a small torque hangs on it by the tool's weight, `"hanging"` in N·m to choose it
    (default 0.2 % of the capacity). `"on": false` takes it off. A pull does not need it.
`{"do": "offset", "torque": 0.05, "drift": 0.0}`
    Zero offset of the transducer in N·m, and its drift in N·m/s; a zero command on the data line takes the offset
    and the drift so far back to 0.
`{"do": "fault", "fault": F}`
    F, with options in brackets: `cut-line` [`count` 1], `garbage` [`seconds` 0.2: unreadable bytes in place of
    lines], `burst` [`seconds` 0.3: lines held back, then sent at once], `stall` [`seconds` 3: nothing is sent, what
    was measured meanwhile is lost], `unplug` [`seconds` 4: the port is gone], `wrong-unit` [`seconds` 1, `unit`
    "lbf·ft"], `gap` [`seconds` 0.08: samples missing], `wrong-sample` [`count` 1, `factor` 2.0: isolated samples at
    `factor` × torque, but at least at `factor` × a tenth of the capacity].
`{"do": "quit"}`
    Ends the simulator.

The state:

    {"state": {
      "time_s": 12.31, "torque": 0.012, "unit": "N·m",
      "phase": "rest",                      # rest, pulling, let-go, easing, holding
      "manner": null,                       # of the pull under way, "key" for the key
      "mounted": false, "direction": "clockwise",
      "tool": {"kind": "click-wrench", "max": 200.0, "setting": 120.0, "error_percent": 3.0, "spread_percent": 0.3,
               "indicating": false, "weak": false, "anticlockwise": true},
      "shown": null,                        # what an indicating tool shows now, N·m; null for setting tools
      "shown_peak": null,                   # its memory or slave pointer: greatest of the last pull, N·m
      "clicks": 3,                          # how often a tool has let go since the start
      "last_pull": {"first_peak": 123.4, "peak": 131.0, "manner": "steady"},   # null before the first; first_peak null
      "line": {"shape": "signed-value-unit", "rate_hz": 1000.0, "connected": true, "plugged": true, "lines": 12310},
      "capacity": 250.0, "faults": []       # names of faults under way
    }}
"""

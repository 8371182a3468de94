"""The simulated bench: a physical model behind real Modbus and SCPI servers, with faults on a timetable. MANUAL.md says what it speaks.

Pure half (no clock, thread, socket; chance from a seed): circuit, conductors, thermal, supply, battery, instruments, stations, bench,
faults, bench_faults, timetable, scenario, noise, frames, registers, maps, scpi, wire_faults, pacing, rtu, messages. I/O half: serial_line,
tcp_line, server, run. It shares no code with the decoder (bus, profiles, acquisition).
"""

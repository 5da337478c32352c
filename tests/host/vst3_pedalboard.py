"""Hosts the VST3 bundle in pedalboard, a general audio library for Python, and checks what a host relies on.

Arguments: the bundle, and the plug-in's parameters as JSON: name, and whether a host may set it. Ends with an error at the first check that fails.
"""

import json
import sys

import numpy as np
import pedalboard

bundle, expected = sys.argv[1], json.loads(sys.argv[2])
random = np.random.default_rng(1)


def noise(channels, frames, peak=0.25):
    return random.uniform(-peak, peak, (channels, frames)).astype(np.float32)


def load():
    return pedalboard.load_plugin(bundle)


def settable(plugin):
    return [parameter for parameter in plugin.parameters.values() if expected[parameter.name]]


def shown_values(plugin):
    return {parameter.name: parameter.string_value for parameter in settable(plugin)}


def is_switch(parameter):
    return parameter.num_steps == 2


plugin = load()
assert plugin.name == "Crestline", plugin.name
assert plugin.is_effect and not plugin.is_instrument

shown = [parameter.name for parameter in plugin.parameters.values()]
assert sorted(shown) == sorted(expected), (shown, expected)

# Neutral settings: the host takes the reported latency out, so what comes back must be what went in, to the last bit.
latencies = {}
for rate in (44_100, 48_000, 96_000, 192_000):
    for size in (1, 32, 512, 1_024, 4_096):
        frames = 4_000 if size == 1 else 20_000
        # For mono this host switches the side-chain bus off and hands over null pointers for its channels, as VST3 allows.
        for channels in (2, 1):
            plugin = load()
            audio = noise(channels, frames)
            played = plugin.process(audio, rate, buffer_size=size)
            assert played.shape == audio.shape, (rate, size, channels, played.shape)
            wrong = np.flatnonzero((played != audio).any(axis=0))
            assert wrong.size == 0, (rate, size, channels, wrong[:5], wrong.size)
            latencies.setdefault(rate, set()).add(plugin.reported_latency_samples)
assert all(len(latency) == 1 for latency in latencies.values()), latencies
print("latency in frames:", {rate: latency.pop() for rate, latency in latencies.items()})

# The bypass, whatever else is set; the first tenth of a second is left to a crossfade.
plugin = load()
for parameter in settable(plugin):
    parameter.raw_value = 1.0 if is_switch(parameter) else float(random.uniform())
bypass = next(parameter for parameter in plugin.parameters.values() if parameter.name == "Bypass")
bypass.raw_value = 1.0
audio = noise(2, 48_000, 1.0)
played = plugin.process(audio, 48_000, buffer_size=512)
assert (played[:, 4_800:] == audio[:, 4_800:]).all()

# What cannot be meant does not come out.
plugin = load()
audio = noise(2, 48_000)
audio[0, 1_000:1_700] = np.nan
audio[1, 3_000] = np.inf
assert np.isfinite(plugin.process(audio, 48_000, buffer_size=512)).all()

# A session: every parameter at some other value, saved, and given back to a fresh instance.
plugin = load()
defaults = shown_values(plugin)
for parameter in settable(plugin):
    parameter.raw_value = 1.0 - parameter.raw_value if is_switch(parameter) else float(random.uniform(0.1, 0.9))
plugin.process(noise(2, 512), 48_000)
state, values = plugin.raw_state, shown_values(plugin)
unchanged = [name for name, value in values.items() if value == defaults[name]]
# Values drawn at random may meet a default here and there.
assert len(unchanged) < len(values) / 4, unchanged
fresh = load()
assert shown_values(fresh) == defaults
fresh.raw_state = state
assert fresh.raw_state == state
given_back = shown_values(fresh)
wrong = {name: (given_back[name], value) for name, value in values.items() if given_back[name] != value}
assert not wrong, wrong
print("parameters:", len(expected))

# The same session as a preset: what is heard is the same, to the last bit.
plugin = load()
for parameter in settable(plugin):
    if parameter.name != "Bypass":
        parameter.raw_value = 1.0 if is_switch(parameter) else float(random.uniform(0.1, 0.9))
plugin.process(noise(2, 512), 48_000)
fresh = load()
fresh.preset_data = plugin.preset_data
audio = noise(2, 48_000, 0.7)
assert (fresh.process(audio, 48_000) == plugin.process(audio, 48_000)).all()

# Nothing of what was played before a reset is heard after it.
plugin = load()
plugin.process(noise(2, 20_000), 48_000, reset=False)
plugin.reset()
assert not plugin.process(np.zeros((2, 20_000), np.float32), 48_000, reset=False).any()

# The chain at work, for the other format to make the same of it.
plugin = load()
chain = {parameter.name: parameter for parameter in settable(plugin) if parameter.name in json.loads(sys.argv[3])}
assert len(chain) > 30, sorted(chain)
for parameter in chain.values():
    parameter.raw_value = 1.0 if is_switch(parameter) else float(random.uniform(0.2, 0.8))
audio = noise(2, 96_000, 0.7)
played = plugin.process(audio, 48_000, buffer_size=512)
for name, samples in (("input", audio), ("output", played)):
    samples.astype("<f4").tofile(f"{sys.argv[4]}/{name}.f32")
with open(f"{sys.argv[4]}/settings.json", "w") as file:
    json.dump({name: parameter.raw_value for name, parameter in chain.items()}, file)

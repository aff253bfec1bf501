"""The JSON documents that every face gives out: `--json` at the command line, `/api` of the pages.

Each is a frozen dataclass, so that its JSON Schema can be made from it and is true: what is written is `asdict` of it.
A member is never taken out or given another meaning under the same `schema`; new ones may come. One file a subject,
so that a command loads only what its own answer is made of.
"""

"""The table of commands.

A new command is one new file in this folder and one row below. The file holds a function that takes options
(`pastewright.work.options` has those that several commands share), does its work through functions of the lower
floors, prints through `pastewright.work.printing`, and returns an exit code (`pastewright.work.exits`). Its docstring is
its help. Everything heavy is imported inside the function, so that `--help` answers at once.
"""

# A group of commands, and its help.
GROUPS = {
    "machine": "Move the machine by hand, put barrels in and out, measure the bench.",
    "profile": "Write and check the profile of a bench.",
    "job": "Write and check the job file of a board.",
    "barrel": "Barrels as things with a name: what was filled in, used and left, and how old it is.",
    "witness": "A dozen dots instead of a whole sheet: go, correct or stop.",
    "tune": "Lay a sheet of dots, read its photo, and fit the plunger's constants.",
}

# What is typed: the module in this folder, and the function in it. Help lists them in this order.
COMMANDS = {
    "plan": "plan:plan",
    "verify": "verify:verify",
    "look": "look:look",
    "advise": "advise:advise",
    "compare": "compare:compare",
    "tips": "tips:tips",
    "demo": "demo:demo",
    "page": "page:page",
    "ports": "ports:ports",
    "run": "run:run",
    "resume": "resume:resume",
    "batch": "batch:batch",
    "inspect": "inspect:inspect",
    "touch-up": "touch_up:touch_up",
    "runs": "runs:runs",
    "report": "report:report",
    "machine state": "machine:state",
    "machine home": "machine:home",
    "machine jog": "machine:jog",
    "machine to": "machine:to",
    "machine touch-off": "machine:touch_off",
    "machine load": "machine:load",
    "machine unload": "machine:unload",
    "machine purge": "machine:purge",
    "machine relieve": "machine:relieve",
    "machine measure": "machine:measure",
    "machine stay": "machine:stay",
    "barrel new": "barrel:new",
    "barrel open": "barrel:open_",
    "barrel refill": "barrel:refill",
    "barrel end": "barrel:end",
    "barrel list": "barrel:list_",
    "register": "register:register",
    "probe": "probe:probe",
    "locate": "locate:locate",
    "camera-offset": "camera_offset:camera_offset",
    "profile new": "profile:new",
    "profile check": "profile:check",
    "profile examples": "profile:examples",
    "job new": "job:new",
    "job check": "job:check",
    "witness row": "witness:row",
    "witness check": "witness:check",
    "capability": "capability:capability",
    "note": "note:note",
    "tune sheet": "tune_sheet:sheet",
    "tune read": "tune_read:read",
    "tune fit": "tune_fit:fit",
    "tune history": "tune_history:history",
}

BRIEF = frozenset({"plan", "verify", "look", "compare", "demo", "locate", "tune read"})
"""Commands that make values, write files and end, with no port open and nobody to wait for: what they leave in cycles goes
with the process, and looking for it while they import and plan takes a tenth of their time."""

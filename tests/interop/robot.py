"""A robot's base in Python: subscribes, sends odometry and a knock, asks a question, stops when its pace has ended.

usage: robot.py URL SECONDS     prints one JSON line per thing that a test looks at
Debian: apt-get install python3-websockets python3-msgpack
"""
import asyncio, json, sys, time
import msgpack, websockets

POLL = 0.02  # seconds between two looks at the end of the pace


def say(**what):
    print(json.dumps(what), flush=True)


async def main(url, seconds):
    # max_queue 1: this side keeps no history either.
    async with websockets.connect(url, subprotocols=["brinkmap.1"], max_queue=1, compression=None) as head:
        send = lambda **message: head.send(msgpack.packb(message))
        await send(kind="hello", role="base", name="python robot")
        await send(kind="subscribe", topics={"reach": {"rate": 30}, "notes": {"rate": 5}})
        await send(kind="motion", pose=[0.0, 0.0, 0.0], speed=None)
        await send(kind="knock", point=[0.2, 0.0, 0.05])
        await send(kind="ask", id=7, question={"about": "line", "from": [1.2, 0], "to": [3, 0], "halfWidth": 0.1, "frame": "world"})
        await send(kind="clock", sent=time.monotonic())
        moving, ends, done = False, 0.0, time.monotonic() + seconds
        while time.monotonic() < done:
            # A pace ends whatever else arrives: other messages say nothing of the way ahead.
            if moving and time.monotonic() >= ends:
                say(stop="pace ended")
                moving = False
            try:
                message = msgpack.unpackb(await asyncio.wait_for(head.recv(), POLL))
            except asyncio.TimeoutError:
                continue
            kind = message["kind"]
            if kind == "reach":
                fit = message["state"] in ("clear", "dark")
                ends = time.monotonic() + (message["until"] - message["time"] - message["age"]) / 1e6
                if moving and not fit:
                    say(stop=message["state"])
                if fit and not moving:
                    say(go=True, bearings=len(message["distanceMm"]), pace=message["pace"] is not None)
                moving = fit
            elif kind == "clock":
                delay = time.monotonic() - message["sent"]
                say(clock=message["replied"], delay=delay)
            elif kind in ("welcome", "answer", "error", "note"):
                say(**message)


asyncio.run(main(sys.argv[1], float(sys.argv[2])))

"""What another implementation of RFC 6455 sees of the head. usage: websocket.py URL; prints JSON lines."""
import asyncio, json, sys
import msgpack, websockets

say = lambda **what: print(json.dumps(what), flush=True)
HELLO = msgpack.packb({"kind": "hello", "role": "watcher"})


async def main(url):
    # permessage-deflate is offered, and taken (RFC 7692)
    async with websockets.connect(url, subprotocols=["brinkmap.0", "brinkmap.1"]) as head:
        say(subprotocol=head.subprotocol, extensions=len(head.extensions))
        half = len(HELLO) // 2
        await head.send([HELLO[:half], HELLO[half:]])  # fragmented (RFC 6455, 5.4)
        say(fragmented=msgpack.unpackb(await head.recv())["kind"])
        await (await head.ping(b"are you there"))
        say(pong=True)
        await head.close(1000, "bye")
        say(goodbye=head.close_code)
    async with websockets.connect(url, subprotocols=["brinkmap.1"]) as head:
        await head.send('{"kind": "hello", "role": "watcher"}')
        answer = await head.recv()
        say(text=isinstance(answer, str) and json.loads(answer)["kind"])
        try:
            await head.send(b"x" * 100_000)
            await head.recv()
        except websockets.ConnectionClosed:
            pass
        say(oversize=head.close_code)
    try:
        async with websockets.connect(url, subprotocols=["something.else"]):
            say(unknown="let in")
    except websockets.InvalidStatusCode as error:
        say(unknown=error.status_code)


asyncio.run(main(sys.argv[1]))

"""What the guard and the page's server say to each other.

    guard ─ stdin: messages ─> server <─ HTTP, WebSocket ─> at most 8 pages
          <─ stdout: lines ──

Messages in are a header (kind, bytes that follow) and those bytes:

    H  JSON: the secret, where to listen, what pages may do; the first one, once
    F  when it was made (float64, s), then the frame's JSON: takes the place of the one before
    T  JSON, one a line: more points of the drawn line, or cues on it
    R  the drawn line begins anew
    S  SHA-256 (32 bytes), then PCM: a piece of sound that pages keep from the beginning
    P  the same, a piece that one cue needs
    N  JSON: which pieces make the sounds a page plays by itself
    C  when it was made (float64, s), then JSON: play these pieces now
    X  JSON: stop that sound
    G  JSON: the session has ended properly, and how

Lines out: `ready PORT`, `failed REASON`, `alive PAGES SOUNDING` (each second and at once
when it changes), `started NUMBER`, `do ACTION [VALUE]`.
"""

import struct

MESSAGE_HEAD = struct.Struct("<cI")
STAMP = struct.Struct("<d")  # `guard.clock.elapsed_s`, which processes of one machine share
LARGEST_MESSAGE_BYTES = 4 << 20  # bytes of one message

Message = tuple[bytes, bytes]


def packed(message: Message) -> bytes:
    """A message as it goes through the pipe."""
    kind, payload = message
    return MESSAGE_HEAD.pack(kind, len(payload)) + payload

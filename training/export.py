"""Write a trained network (train.py / train_refine.py: one .npz of folded weights) as the flat file that src/nn reads.

usage: export.py KIND IN.npz OUT.ogvnet        KIND: maps, outline or ends
"""
import struct, sys
import numpy as np

CONV, UP2ADD, MEAN = 1, 2, 3


def maps():
    """name, op, src, add, stride, relu ; tensors are named by the layer that makes them"""
    c = lambda n, s, st=1: (n, CONV, s, None, st, 1)
    L = [c("stem", "in", 2), c("e1", "stem"), c("d2", "e1", 2), c("e2", "d2"), c("d3", "e2", 2), c("e3a", "d3"), c("e3b", "e3a"),
         c("d4", "e3b", 2), c("e4a", "d4"), c("e4b", "e4a"), c("d5", "e4b", 2), c("e5a", "d5"), c("e5b", "e5a")]
    for u, src, skip, convs in (("u4", "e5b", "e4b", ["f4"]), ("u3", "f4", "e3b", ["f3"]), ("u2", "f3", "e2", ["f2a", "f2b"]), ("u1", "f2b", "e1", ["f1a", "f1b"])):
        L += [c(u, src), ("s" + u, UP2ADD, u, skip, 1, 0)]
        p = "s" + u
        for k in convs:
            L.append(c(k, p))
            p = k
    L += [("out", CONV, "f1b", None, 1, 0), ("gap", MEAN, "e5b", None, 1, 0), ("fc1", CONV, "gap", None, 1, 1), ("fc2", CONV, "fc1", None, 1, 0)]
    return 1, L, ["out", "fc2"]


def outline(cin=3):
    c = lambda n, s, st=1: (n, CONV, s, None, st, 1)
    L = [c("stem", "in"), c("e1", "stem"), c("d2", "e1", 2), c("e2a", "d2"), c("e2b", "e2a"), c("d3", "e2b", 2), c("e3a", "d3"), c("e3b", "e3a"),
         c("d4", "e3b", 2), c("e4a", "d4"), c("e4b", "e4a")]
    for u, src, skip, conv in (("u3", "e4b", "e3b", "f3"), ("u2", "f3", "e2b", "f2"), ("u1", "f2", "e1", "f1")):
        L += [c(u, src), ("s" + u, UP2ADD, u, skip, 1, 0), c(conv, "s" + u)]
    L += [("out", CONV, "f1", None, 1, 0), ("gap", MEAN, "e4b", None, 1, 0), ("fc1", CONV, "gap", None, 1, 1), ("fc2", CONV, "fc1", None, 1, 0)]
    return cin, L, ["out", "fc2"]


def main():
    kind, src, dst = sys.argv[1:4]
    z = np.load(src)
    cin, L, outs = {"maps": maps, "outline": outline, "ends": lambda: outline(2)}[kind]()
    ids, ch = {"in": 0}, {"in": cin}
    blob, rows = b"", []
    for n, op, s, add, st, relu in L:
        ids[n] = len(ids)
        if op == CONV:
            w = z[n + ".w"].astype(np.float32)
            if w.ndim == 2:
                w = w[:, :, None, None]
            co, ci, k, _ = w.shape
            assert ci == ch[s], (n, ci, ch[s])
            wo = len(blob)
            blob += w.astype("<f2").tobytes()
            bo = len(blob)
            blob += z[n + ".b"].astype("<f2").tobytes()
            rows.append((op, ids[s], -1, ids[n], ci, co, k, st, relu, wo, bo, 0))
            ch[n] = co
        else:
            ch[n] = ch[s]
            rows.append((op, ids[s], ids[add] if add else -1, ids[n], ch[s], ch[s], 1, 1, 0, 0, 0, 0))
    o = b"OGVNET1\n" + struct.pack("<4I", len(rows), len(ids), cin, len(outs)) + struct.pack("<4i", *([ids[k] for k in outs] + [-1] * (4 - len(outs))))
    for r in rows:
        o += struct.pack("<12i", *r)
    o += struct.pack("<2I", len(blob), 0) + blob
    open(dst, "wb").write(o)
    print(dst, len(o), "bytes,", len(blob) // 2, "parameters")


main()

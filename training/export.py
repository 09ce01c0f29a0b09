"""Write a trained network (train.py, train_round.py or train_ends.py: one .npz of folded weights) as the flat file that src/nn reads.

usage: export.py KIND IN.npz OUT.ogvnet        KIND: maps, outline, fine, frame or ends
"""
import struct, sys
import numpy as np

CONV, UP2ADD, MEAN, ADD = 1, 2, 3, 4


def maps():
    """Input channels, layers, outputs. A layer: name, op, source, second source, stride, relu and, where a convolution's
    weights are given as [out, in * K * K] (a fully connected layer on a map of K x K), K. Tensors are named by the layer that
    makes them; "in" is the input."""
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


def frame():
    c = lambda n, s, st=1: (n, CONV, s, None, st, 1)
    L = [c("stem", "in", 2), c("e1", "stem"), c("d2", "e1", 2), c("e2a", "d2"), c("e2b", "e2a")]
    src = "e2b"
    for k in "34":
        L += [c("d" + k, src, 2), c(f"e{k}a", "d" + k), c(f"e{k}b", f"e{k}a"), ("r" + k, ADD, "d" + k, f"e{k}b", 1, 0)]
        src = "r" + k
    # fully connected layers run as convolutions; only the middle of their map is read
    L += [c("d5", src, 2), c("e5", "d5"), ("fc1", CONV, "e5", None, 1, 1, 5), ("fc2", CONV, "fc1", None, 1, 0)]
    return 5, L, ["fc2"]


def quantise(w):
    """w [out, n] as int8 and one scale a row, w ~ q * scale, so that the squared error is least: 8 bits over a few ranges
    (all of it, or with the largest weights cut), each with the scale that fits its rounded numbers best."""
    w = w.astype(np.float64)
    best, q_best, s_best = np.full(len(w), np.inf), np.zeros(w.shape, np.int8), np.zeros(len(w), np.float32)
    for cut in np.linspace(.5, 1, 51):
        s = np.abs(w).max(1) * cut / 127
        for _ in range(2):
            q = np.clip(np.rint(w / np.where(s > 0, s, 1)[:, None]), -127, 127)
            s = np.float32((w * q).sum(1) / np.maximum((q * q).sum(1), 1)).astype(np.float64)
        e = ((w - q * s[:, None]) ** 2).sum(1)
        m = e < best
        best[m], q_best[m], s_best[m] = e[m], q[m], s[m]
    return q_best, s_best


def kernel_of(w, layer):
    """Weights as [out, in, K, K]."""
    if w.ndim == 4:
        return w
    k = layer[6] if len(layer) > 6 else 1
    assert k % 2 == 1 and w.shape[1] % (k * k) == 0, (layer, w.shape)
    return w.reshape(len(w), -1, k, k)


def write(path, cin, layers, weights, outputs):
    """layers and outputs as in maps(); weights: a mapping with NAME.w and NAME.b for every convolution."""
    ids, ch, rows, blob, parameters = {"in": 0}, {"in": cin}, [], bytearray(), 0

    def put(a):
        blob.extend(bytes(-len(blob) % 4))
        blob.extend(a.tobytes())
        return len(blob) - a.nbytes

    for layer in layers:
        n, op, s, add, st, relu = layer[:6]
        assert n not in ids, n
        dst, ids[n] = len(ids), len(ids)
        if op == CONV:
            w, b = kernel_of(weights[n + ".w"], layer), weights[n + ".b"]
            co, ci, k, _ = w.shape
            assert ci == ch[s] and b.shape == (co,) and np.isfinite(w).all() and np.isfinite(b).all(), (n, w.shape, b.shape, ch[s])
            q, scale = quantise(w.reshape(co, -1))
            rows.append((op, ids[s], -1, dst, ci, co, k, st, relu, put(q), put(b.astype("<f4")), put(scale.astype("<f4"))))
            ch[n], parameters = co, parameters + w.size + co
        else:
            assert not add or ch[add] == ch[s], (n, ch[s], ch[add])
            rows.append((op, ids[s], ids[add] if add else -1, dst, ch[s], ch[s], 1, 1, relu, 0, 0, 0))
            ch[n] = ch[s]
    o = b"OGVNET2\n" + struct.pack("<4I", len(rows), len(ids), cin, len(outputs)) + struct.pack("<4i", *([ids[k] for k in outputs] + [-1] * (4 - len(outputs))))
    o += b"".join(struct.pack("<12i", *r) for r in rows) + struct.pack("<2I", len(blob), 0) + blob
    open(path, "wb").write(o)
    print(path, len(o), "bytes,", parameters, "parameters")


def main():
    kind, src, dst = sys.argv[1:4]
    cin, layers, outputs = {"maps": maps, "outline": outline, "fine": outline, "frame": frame, "ends": lambda: outline(2)}[kind]()
    write(dst, cin, layers, np.load(src), outputs)


if __name__ == "__main__":
    main()

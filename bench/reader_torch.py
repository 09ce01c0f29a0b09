"""The second reader's first network in a general-purpose runtime (PyTorch, Debian's python3-torch) for comparison."""
import struct, sys, time

try:
    import numpy as np, torch, torch.nn.functional as F
except ImportError:
    print("skipped: python3-torch is not installed")
    sys.exit(0)

d = open(sys.argv[1], "rb").read()
nl, nt, cin, no = struct.unpack_from("<4I", d, 8)
rows = [struct.unpack_from("<12i", d, 40 + 48 * i) for i in range(nl)]
size, _ = struct.unpack_from("<2I", d, 40 + 48 * nl)
blob = d[48 + 48 * nl:]
ops = []
for op, src, add, dst, ci, co, k, st, relu, wo, bo, so in rows:
    w = b = None
    if op == 1:
        q = np.frombuffer(blob, "i1", co * ci * k * k, wo).reshape(co, ci, k, k)
        w = torch.from_numpy(q * np.frombuffer(blob, "<f4", co, so).reshape(co, 1, 1, 1))
        b = torch.from_numpy(np.frombuffer(blob, "<f4", co, bo).copy())
    ops.append((op, src, add, dst, k, st, relu, w, b))


@torch.no_grad()
def run(x):
    t = {0: x}
    for op, src, add, dst, k, st, relu, w, b in ops:
        if op == 1:
            y = F.conv2d(t[src], w, b, st, k // 2)
            t[dst] = F.relu_(y) if relu else y
        elif op == 2:
            t[dst] = F.interpolate(t[src], scale_factor=2, mode="nearest") + t[add]
        elif op == 4:
            t[dst] = t[src] + t[add]
        else:
            t[dst] = t[src].mean((2, 3), keepdim=True)


x = torch.rand(1, cin, 256, 384)
best = cpu = 1e9
for i in range(30):
    a, c = time.perf_counter(), time.process_time()
    run(x)
    best, cpu = min(best, time.perf_counter() - a), min(cpu, time.process_time() - c)
print(f"the same maps network in PyTorch {torch.__version__}, {torch.get_num_threads()} threads: best {best * 1e3:.2f} ms, processor time {cpu * 1e3:.2f} ms")

"""The network: a small U-shaped fully convolutional net at stride 2, four maps and a plane class.

maps (logits, stride 2): 0 head region, 1 abdomen region, 2 femur bone, 3 femur ends.
Near a region's edge the logit is trained to be the signed distance to the outline in map pixels, so its zero
crossing gives the outline to a fraction of a pixel.
"""
import torch
import torch.nn as nn
import torch.nn.functional as F


class CBR(nn.Module):
    def __init__(s, ci, co, k=3, stride=1):
        super().__init__()
        s.c = nn.Conv2d(ci, co, k, stride, k // 2, bias=False)
        s.b = nn.BatchNorm2d(co)

    def forward(s, x):
        return F.relu(s.b(s.c(x)))


def folded(net, blocks, plain):
    """List of (name, weight, bias) of a network's CBR blocks, batch norm folded in, and of its plain layers; float32 numpy."""
    rows = []
    for n in blocks:
        m = getattr(net, n)
        k = m.b.weight / torch.sqrt(m.b.running_var + m.b.eps)
        rows.append((n, m.c.weight * k[:, None, None, None], m.b.bias - m.b.running_mean * k))
    rows += [(n, getattr(net, n).weight, getattr(net, n).bias) for n in plain]
    return [(n, w.detach().float().cpu().numpy(), b.detach().float().cpu().numpy()) for n, w, b in rows]


class Net(nn.Module):
    W = (16, 32, 64, 96, 128)

    def __init__(s, ncls=7, w=None):
        super().__init__()
        w = w or s.W
        s.w = w
        s.stem = CBR(1, w[0], 5, 2)
        s.e1 = CBR(w[0], w[0])
        s.d2, s.e2 = CBR(w[0], w[1], 3, 2), CBR(w[1], w[1])
        s.d3, s.e3a, s.e3b = CBR(w[1], w[2], 3, 2), CBR(w[2], w[2]), CBR(w[2], w[2])
        s.d4, s.e4a, s.e4b = CBR(w[2], w[3], 3, 2), CBR(w[3], w[3]), CBR(w[3], w[3])
        s.d5, s.e5a, s.e5b = CBR(w[3], w[4], 3, 2), CBR(w[4], w[4]), CBR(w[4], w[4])
        s.u4, s.f4 = CBR(w[4], w[3], 1), CBR(w[3], w[3])
        s.u3, s.f3 = CBR(w[3], w[2], 1), CBR(w[2], w[2])
        s.u2, s.f2a, s.f2b = CBR(w[2], w[1], 1), CBR(w[1], w[1]), CBR(w[1], w[1])
        s.u1, s.f1a, s.f1b = CBR(w[1], w[0], 1), CBR(w[0], w[0]), CBR(w[0], w[0])
        s.out = nn.Conv2d(w[0], 4, 1)
        s.fc1, s.fc2 = nn.Linear(w[4], 64), nn.Linear(64, ncls)

    def forward(s, x):
        up = lambda t: F.interpolate(t, scale_factor=2, mode="nearest")
        x1 = s.e1(s.stem(x))
        x2 = s.e2(s.d2(x1))
        x3 = s.e3b(s.e3a(s.d3(x2)))
        x4 = s.e4b(s.e4a(s.d4(x3)))
        x5 = s.e5b(s.e5a(s.d5(x4)))
        g = x5.mean((2, 3))
        y = s.f4(up(s.u4(x5)) + x4)
        y = s.f3(up(s.u3(y)) + x3)
        y = s.f2b(s.f2a(up(s.u2(y)) + x2))
        y = s.f1b(s.f1a(up(s.u1(y)) + x1))
        return s.out(y), s.fc2(F.relu(s.fc1(F.dropout(g, 0.2, s.training))))

    NAMES = ["stem", "e1", "d2", "e2", "d3", "e3a", "e3b", "d4", "e4a", "e4b", "d5", "e5a", "e5b", "u4", "f4", "u3", "f3",
             "u2", "f2a", "f2b", "u1", "f1a", "f1b"]

    def folded(s):
        return folded(s, s.NAMES, ["out", "fc1", "fc2"])

"""The outline refiner: looks at the picture unrolled along a rough ellipse and finds the outline on every ray.

Input 3 x 64 x 160: rows are the ray fraction 0.5..1.5 of the rough ellipse, columns 128 directions with 16 wrapped
ones on each side. Channels: grey value, inside-the-picture, kind (0 head, 1 abdomen).
Maps: 0 outline logit (softmax over the rows gives the place on the ray), 1 trust logit (mean over the rows).
Global: 0 log of the relative SD of the circumference, 1 logit that this is such a structure at all.
"""
import torch
import torch.nn as nn
import torch.nn.functional as F
from net import CBR

NR, NT, WRAP = 64, 128, 16
R0, R1 = 0.5, 1.5


class Refine(nn.Module):
    W = (16, 32, 64, 96)

    def __init__(s, cin=3, w=None, drop=0.0):
        super().__init__()
        w = w or s.W
        s.drop = drop
        s.stem, s.e1 = CBR(cin, w[0], 5), CBR(w[0], w[0])
        s.d2, s.e2a, s.e2b = CBR(w[0], w[1], 3, 2), CBR(w[1], w[1]), CBR(w[1], w[1])
        s.d3, s.e3a, s.e3b = CBR(w[1], w[2], 3, 2), CBR(w[2], w[2]), CBR(w[2], w[2])
        s.d4, s.e4a, s.e4b = CBR(w[2], w[3], 3, 2), CBR(w[3], w[3]), CBR(w[3], w[3])
        s.u3, s.f3 = CBR(w[3], w[2], 1), CBR(w[2], w[2])
        s.u2, s.f2 = CBR(w[2], w[1], 1), CBR(w[1], w[1])
        s.u1, s.f1 = CBR(w[1], w[0], 1), CBR(w[0], w[0])
        s.out = nn.Conv2d(w[0], 2, 1)
        s.fc1, s.fc2 = nn.Linear(w[3], 64), nn.Linear(64, 2)

    NAMES = ["stem", "e1", "d2", "e2a", "e2b", "d3", "e3a", "e3b", "d4", "e4a", "e4b", "u3", "f3", "u2", "f2", "u1", "f1"]

    def forward(s, x):
        up = lambda t: F.interpolate(t, scale_factor=2, mode="nearest")
        dr = lambda t: F.dropout2d(t, s.drop, s.training) if s.drop else t
        x1 = s.e1(s.stem(x))
        x2 = s.e2b(s.e2a(s.d2(x1)))
        x3 = s.e3b(dr(s.e3a(s.d3(x2))))
        x4 = dr(s.e4b(dr(s.e4a(s.d4(x3)))))
        y = dr(s.f3(up(s.u3(x4)) + x3))
        y = s.f2(up(s.u2(y)) + x2)
        y = s.f1(up(s.u1(y)) + x1)
        return s.out(y), s.fc2(F.relu(s.fc1(F.dropout(x4.mean((2, 3)), .2, s.training))))

    def folded(s):
        r = []
        for n in s.NAMES:
            m = getattr(s, n)
            k = m.b.weight / torch.sqrt(m.b.running_var + m.b.eps)
            r.append((n, m.c.weight * k[:, None, None, None], m.b.bias - m.b.running_mean * k))
        for n in ("out", "fc1", "fc2"):
            m = getattr(s, n)
            r.append((n, m.weight, m.bias))
        return [(n, w.detach().float().cpu().numpy(), b.detach().float().cpu().numpy()) for n, w, b in r]


def decode(out):
    """maps -> (fraction on the ray, trust) for the 128 directions."""
    z = out[:, :, :, WRAP:WRAP + NT]
    rho = torch.linspace(R0, R1, NR, device=out.device)
    p = torch.softmax(z[:, 0], 1)
    mu = (p * rho[None, :, None]).sum(1)
    return mu, torch.sigmoid(z[:, 1].mean(1)) + 1e-3, p


def harmonic_fit(mu, w, phi):
    """Weighted least squares of an ellipse close to the rough one (first order): 1, cos, sin, cos 2, sin 2."""
    A = torch.stack([torch.ones_like(phi), torch.cos(phi), torch.sin(phi), torch.cos(2 * phi), torch.sin(2 * phi)], -1)
    Aw = A[None] * w[..., None]
    M = Aw.transpose(1, 2) @ A[None].expand(len(mu), -1, -1) + 1e-4 * torch.eye(5, device=mu.device)
    c = torch.linalg.solve(M, (Aw * (mu[..., None])).sum(1)[..., None])
    return (A[None] @ c)[..., 0], c[..., 0]

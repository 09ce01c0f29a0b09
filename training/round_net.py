"""The networks that refine a rough ellipse of a head or an abdomen, and their geometry.

Polar: the picture is unrolled along the rough ellipse. Rows are the fraction r0..r1 of each ray, columns its directions, with an
eighth of them wrapped on each side. Channels: grey, inside the picture, kind (0 head, 1 abdomen).
  maps: 0 outline logit (softmax over the rows gives the place on the ray), 1 trust logit (mean over the rows)
  global: 0 log of the relative error of the circumference, 1 logit that this is such a structure at all
Frame: the picture around the ellipse, which is made a circle of radius 1 in -1.5..1.5. Channels: grey, inside, x, y, kind.
  global: 0-4 the outline's harmonics (radius 1 + .1 z0 + .1 (z1 cos + z2 sin + z3 cos 2 + z4 sin 2)), 5 log of the relative error,
  6-7 direction of the spine on an abdomen (its length says how sure)
"""
import math
from collections import namedtuple
import torch
import torch.nn as nn
import torch.nn.functional as F
from net import CBR, folded

Polar = namedtuple("Polar", "rows columns r0 r1 widths")
POLAR = {"outline": Polar(96, 96, .75, 1.25, (16, 32, 64, 96)), "fine": Polar(96, 192, .7, 1.3, (12, 28, 56, 96))}
FRAME, FRAME_HALF, FRAME_WIDTHS = 144, 1.5, (24, 48, 80, 112, 160)


class PolarNet(nn.Module):
    NAMES = ["stem", "e1", "d2", "e2a", "e2b", "d3", "e3a", "e3b", "d4", "e4a", "e4b", "u3", "f3", "u2", "f2", "u1", "f1"]

    def __init__(s, cin, w, drop=0.0):
        super().__init__()
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
        return folded(s, s.NAMES, ["out", "fc1", "fc2"])


class FrameNet(nn.Module):
    NAMES = ["stem", "e1", "d2", "e2a", "e2b", "d3", "e3a", "e3b", "d4", "e4a", "e4b", "d5", "e5"]

    def __init__(s, drop=0.0, w=FRAME_WIDTHS):
        super().__init__()
        s.drop = drop
        s.stem, s.e1 = CBR(5, w[0], 5, 2), CBR(w[0], w[0])
        s.d2, s.e2a, s.e2b = CBR(w[0], w[1], 3, 2), CBR(w[1], w[1]), CBR(w[1], w[1])
        s.d3, s.e3a, s.e3b = CBR(w[1], w[2], 3, 2), CBR(w[2], w[2]), CBR(w[2], w[2])
        s.d4, s.e4a, s.e4b = CBR(w[2], w[3], 3, 2), CBR(w[3], w[3]), CBR(w[3], w[3])
        s.d5, s.e5 = CBR(w[3], w[4], 3, 2), CBR(w[4], 32, 1)
        s.fc1, s.fc2 = nn.Linear(32 * 25, 256), nn.Linear(256, 8)

    def forward(s, x):
        dr = lambda t: F.dropout2d(t, s.drop, s.training) if s.drop else t
        x = s.e2b(s.e2a(s.d2(s.e1(s.stem(x)))))
        x = dr(s.d3(x))
        x = x + s.e3b(s.e3a(x))
        x = dr(s.d4(x))
        x = x + s.e4b(s.e4a(x))
        x = s.e5(s.d5(x)).flatten(1)
        return s.fc2(F.relu(s.fc1(F.dropout(x, .3, s.training))))

    def folded(s):
        return folded(s, s.NAMES, ["fc1", "fc2"])


def unit(E, mir, x, y):
    """Places x, y in the frame of ellipses E (circle of radius 1) as vectors on the canvas from the centre."""
    c, s = torch.cos(E[:, 4])[:, None], torch.sin(E[:, 4])[:, None]
    x, y = E[:, 2:3] * x, E[:, 3:4] * y * mir[:, None]
    return torch.stack([c * x - s * y, s * x + c * y], -1)


def into(E, mir, d):
    """The inverse of unit: canvas vectors d (b,2) from the centre into the frame."""
    c, s = torch.cos(E[:, 4]), torch.sin(E[:, 4])
    return torch.stack([(c * d[:, 0] + s * d[:, 1]) / E[:, 2], (-s * d[:, 0] + c * d[:, 1]) / E[:, 3] * mir], -1)


def basis(phi):
    return torch.stack([torch.ones_like(phi), torch.cos(phi), torch.sin(phi), torch.cos(2 * phi), torch.sin(2 * phi)], -1)


def harmonic_fit(mu, w, B):
    """Weighted least squares of five harmonics (an ellipse close to a circle, first order). mu, w (b,n); returns values, coefficients.

    The 5x5 systems are eliminated step by step, so that a CUDA graph can hold it."""
    Bw = B[None] * w[..., None]
    M = Bw.transpose(1, 2) @ B[None].expand(len(mu), -1, -1) + 1e-4 * torch.eye(5, device=mu.device)
    A = torch.cat([M, (Bw * mu[..., None]).sum(1)[..., None]], -1)
    rows = [A[:, i] for i in range(5)]
    for i in range(5):
        rows[i] = rows[i] / rows[i][:, i:i + 1]
        for j in range(5):
            if j != i:
                rows[j] = rows[j] - rows[j][:, i:i + 1] * rows[i]
    c = torch.stack([r[:, 5] for r in rows], -1)
    return c @ B.T, c


def decode(out, rho, wrap):
    """maps -> (fraction on the ray, trust, probabilities) for the directions without the wrapped ones."""
    z = out[:, :, :, wrap:out.shape[3] - wrap]
    p = torch.softmax(z[:, 0], 1)
    return (p * rho[None, :, None]).sum(1), torch.sigmoid(z[:, 1].mean(1)) + 1e-3, p


def frame_harmonics(o):
    return torch.cat([1 + o[:, :1] * .1, o[:, 1:5] * .1], 1)

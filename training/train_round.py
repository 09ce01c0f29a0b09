"""Train one of the networks that refine the ellipse of a head or an abdomen, for one fold.

usage: train_round.py outline|fine|frame PACK.npz OUT_DIR FOLD STEPS SECONDS [SEED]     FOLD 0-4 is left out; 5 trains on everything
"""
import math, os, sys
import numpy as np, torch
import torch.nn.functional as F
sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from common import *
from pictures import *
from round_net import *
import loop

which, pack, outdir, fold, steps, seconds = sys.argv[1], sys.argv[2], sys.argv[3], int(sys.argv[4]), int(sys.argv[5]), float(sys.argv[6])
seed = int(sys.argv[7]) if len(sys.argv) > 7 else 1
torch.manual_seed(seed * 1000 + fold)
P, pictures = load(pack)
SHARP, SOFT = sharp_and_soft(pictures)
put = lambda k: torch.from_numpy(P[k].astype(np.float32)).to(dev)
wh, HE, AE, SPINE, SURE = put("wh"), put("head"), put("abd"), put("spine"), put("spine_sure")
tr, src = P["fold"] != fold, P["src"]
hasH, hasA, made = ~np.isnan(P["head"][:, 0]), ~np.isnan(P["abd"][:, 0]), src == "phantom"
G = Draw(np.where(tr & hasH & (src == "HC18"))[0], np.where(tr & hasH & (src != "HC18") & ~made)[0], np.where(hasH & made)[0],
         np.where(tr & hasA & ~made)[0], np.where(hasA & made)[0],
         np.where(tr & np.isin(P["cls"], [1, 2, 3, 4, 5, 6]) & (P["known"][:, 0] > 0) & ~made)[0],
         np.where(tr & np.isin(P["cls"], [0, 2, 3, 4, 5]) & ~made)[0])
# heads of the open set, other heads, made-up heads, abdomens, made-up abdomens, no heads, no abdomens
COUNT = {"outline": (36, 8, 4, 14, 2, 6, 6), "fine": (52, 8, 4, 0, 0, 0, 0), "frame": (36, 8, 4, 22, 2, 0, 0)}[which]
if os.environ.get("TINY"):
    COUNT = tuple(min(c, 2) for c in COUNT)
NH, NA, NN = sum(COUNT[:3]), sum(COUNT[3:5]), sum(COUNT[5:])
POS = NH + NA
KIND = torch.cat([torch.zeros(NH), torch.ones(NA), torch.zeros(COUNT[5]), torch.ones(COUNT[6])]).to(dev)
FRAMED = which == "frame"
g = POLAR["outline" if FRAMED else which]
WRAP = g.columns // 8
PHI = (torch.arange(-WRAP, g.columns + WRAP, device=dev) + .5) * (2 * math.pi / g.columns)
RHO = torch.linspace(g.r0, g.r1, g.rows, device=dev)
B = basis(PHI[WRAP:WRAP + g.columns])
cg = ((torch.arange(FRAME, device=dev) + .5) / FRAME * 2 - 1) * FRAME_HALF
FY, FX = torch.meshgrid(cg, cg, indexing="ij")
FR, FP = torch.sqrt(FX ** 2 + FY ** 2), torch.atan2(FY, FX) % (2 * math.pi)


def rays(E, mir):
    return unit(E, mir, torch.cos(PHI)[None], torch.sin(PHI)[None])


def polar_input(idx, E, mir, kind, blur=None, bend=None, change=None):
    v = rays(E, mir)
    at = E[:, None, None, :2] + RHO[None, :, None, None] * v[:, None] * (1 if bend is None else bend(PHI)[:, None, :, None])
    im, ins = look(SHARP, SOFT, idx, at, blur), inside(wh, idx, at)
    im = (im if change is None else change(im)) * ins
    return torch.cat([im, ins, kind[:, None, None, None].expand_as(ins)], 1)


def frame_input(idx, E, mir, kind, blur=None, bend=None, change=None):
    b = len(E)
    k = torch.ones(b, 1, device=dev) if bend is None else bend(FP.reshape(-1))
    at = E[:, None, :2] + unit(E, mir, FX.reshape(1, -1) * k, FY.reshape(1, -1) * k)
    at = at.reshape(b, FRAME, FRAME, 2)
    im, ins = look(SHARP, SOFT, idx, at, blur), inside(wh, idx, at)
    im = (im if change is None else change(im)) * ins
    xy = torch.stack([FX, FY])[None].expand(b, -1, -1, -1)
    return torch.cat([im, ins, xy, kind[:, None, None, None].expand_as(ins)], 1)


def truth_on_rays(T, E, v):
    """Ray fraction at which each ray from the rough centre leaves the true ellipse."""
    c, s = torch.cos(T[:, 4])[:, None], torch.sin(T[:, 4])[:, None]
    ux, uy = (c * v[..., 0] + s * v[..., 1]) / T[:, 2:3], (-s * v[..., 0] + c * v[..., 1]) / T[:, 3:4]
    d = E[:, :2] - T[:, :2]
    ox, oy = ((c * d[:, 0:1] + s * d[:, 1:2]) / T[:, 2:3]), ((-s * d[:, 0:1] + c * d[:, 1:2]) / T[:, 3:4])
    A, Bq, C = ux * ux + uy * uy, ux * ox + uy * oy, ox * ox + oy * oy - 1
    return (-Bq + torch.sqrt((Bq * Bq - A * C).clamp(min=1e-6))) / A


def spine_place(T, angle):
    """A place inside the true ellipse, 0.7 of the way to its outline, in the direction of the spine."""
    d = torch.stack([torch.cos(angle), torch.sin(angle)], -1)
    c, s = torch.cos(T[:, 4]), torch.sin(T[:, 4])
    r = 1 / torch.sqrt(((c * d[:, 0] + s * d[:, 1]) / T[:, 2]) ** 2 + ((-s * d[:, 0] + c * d[:, 1]) / T[:, 3]) ** 2)
    return T[:, :2] + .7 * r[:, None] * d


def jitter(T, k):
    b = len(T)
    R, sc = (T[:, 2] + T[:, 3]) / 2, torch.randn(b, device=dev) * .04 * k
    rn = lambda q: torch.randn(b, device=dev) * q * k
    return torch.stack([T[:, 0] + rn(.035) * R, T[:, 1] + rn(.035) * R, T[:, 2] * torch.exp(sc + rn(.025)),
                        T[:, 3] * torch.exp(sc + rn(.025)), T[:, 4] + rn(.06) + math.pi * hit(b, .5)], 1)


def changed(x):
    """Tones, sectors in shadow, patches cut out or smeared over."""
    b = x.shape[0]
    x = tones(x)
    ph, rho = (FP[None], FR[None]) if FRAMED else (PHI[None, None, :], RHO[None, :, None])
    v = lambda t: t[:, None, None]
    for _ in range(3):
        p0, wd, a, q0 = v(U(b, -3.5, 9.8)), v(U(b, .05, .5)), v(hit(b, .3) * U(b, .3, 1)), v(U(b, .3, 1.3))
        x = x * (1 - a * torch.exp(-((ph - p0) / wd) ** 4) * torch.sigmoid((rho - q0) * 12))[:, None]
    for _ in range(3):
        p0, r0, wd, ht = v(U(b, -.5, 6.8)), v(U(b, .5, 1.5)), v(U(b, .05, .35)), v(U(b, .03, .2))
        m = ((ph - p0).abs() < wd) & ((rho - r0).abs() < ht) & (v(hit(b, .3)) > 0)
        x = torch.where(m[:, None], (U(b, 0, .6) * hit(b, .5))[:, None, None, None].expand_as(x), x)
    return x.clamp(0, 1.3)


def soft_bend(b):
    """A random radial factor of the direction, so that outlines are not all ellipses."""
    co = [((hit(b, .5) * torch.randn(b, device=dev) * .012)[:, None], U(b, 0, 6.28)[:, None]) for _ in range(5)]
    return lambda phi: 1 + sum(a * torch.cos((k + 1) * phi[None] + o) for k, (a, o) in enumerate(co))


def step_fn(net):
    with torch.no_grad():
        idx = torch.cat([G.of(k, n) for k, n in enumerate(COUNT)])
        T = torch.cat([HE[idx[:NH]], AE[idx[NH:POS]]])
        E = jitter(T, 1 + hit(POS, .3))
        if NN:
            E = torch.cat([E, torch.stack([U(NN, 80, 320), U(NN, 60, 210), U(NN, 40, 150), U(NN, 40, 120), U(NN, 0, 6.28)], 1)])
        b = len(E)
        mir, bend = 1 - 2 * hit(b, .5), soft_bend(b)
        x = (frame_input if FRAMED else polar_input)(idx, E, mir, KIND, hit(b, .2), bend, changed).contiguous(memory_format=torch.channels_last)
        v = rays(E[:POS], mir[:POS])[:, WRAP:WRAP + g.columns]
        r = truth_on_rays(T, E[:POS], v) / bend(PHI[WRAP:WRAP + g.columns])[:POS]
        r_ell, _ = harmonic_fit(r, torch.ones_like(r), B)
        arc = v.norm(dim=-1)
        rel = arc / arc.mean(1, keepdim=True)
    with torch.autocast(dev.type, dtype=torch.bfloat16, enabled=dev.type == "cuda"):
        o = net(x)
    if FRAMED:
        o = o.float()
        fit, log_error = frame_harmonics(o) @ B.T, o[:, 5]
        angle = SPINE[idx[NH:]]
        known = (~torch.isnan(angle)).float() * (.5 + .5 * SURE[idx[NH:]])
        d = into(E[NH:], mir[NH:], spine_place(T[NH:], torch.nan_to_num(angle)) - E[NH:, :2])
        d = d / d.norm(dim=1, keepdim=True)
        side = (F.smooth_l1_loss(o[NH:, 6:8], d, reduction="none", beta=.3).sum(1) * known).sum() / (known.sum() + 1)
        more = .1 * side
    else:
        out, g2 = o[0].float(), o[1].float()
        mu, w, p = decode(out[:POS], RHO, WRAP)
        fit, log_error = harmonic_fit(mu, w, B)[0], g2[:POS, 0]
        tgt = torch.exp(-((RHO[None, :, None] - r[:, None, :]) ** 2) / (2 * .015 ** 2))
        tgt = tgt / (tgt.sum(1, keepdim=True) + 1e-6)
        side = (-(tgt * torch.log(p + 1e-7)).sum(1) * ((r > g.r0) & (r < g.r1)).float()).mean()
        yes = torch.cat([torch.ones(POS, device=dev), torch.zeros(NN, device=dev)])
        more = .1 * side + .1 * F.binary_cross_entropy_with_logits(g2[:, 1], yes)
    d_fit = (fit - r_ell) * rel
    l_fit = F.smooth_l1_loss(d_fit, torch.zeros_like(d_fit), beta=.01)
    hc = (d_fit * rel).mean(1) / (rel * rel).mean()
    l_hc = F.smooth_l1_loss(hc, torch.zeros_like(hc), beta=.005)
    ls = log_error.clamp(-7, 0)
    l_nll = (hc.detach().abs() * torch.exp(-ls) + ls).mean()
    return 20 * l_fit + 20 * l_hc + .02 * l_nll + more, (side, l_fit * 1e3, hc[:COUNT[0]].abs().mean() * 100, l_nll)


def moved(E, c):
    """Rough ellipses and harmonics to new ellipses (first order in the harmonics)."""
    E, c = E.cpu().numpy().astype(np.float64), c.cpu().numpy().astype(np.float64)
    N = E.copy()
    a, b, cs, sn = E[:, 2], E[:, 3], np.cos(E[:, 4]), np.sin(E[:, 4])
    dx, dy = a * c[:, 1], b * c[:, 2]
    N[:, 0] += cs * dx - sn * dy
    N[:, 1] += sn * dx + cs * dy
    q, t = np.hypot(c[:, 3], c[:, 4]), .5 * np.arctan2(c[:, 4], c[:, 3])
    for j in range(len(E)):
        ct, st = math.cos(t[j]), math.sin(t[j])
        u, s, _ = np.linalg.svd(np.diag([a[j], b[j]]) @ np.array([[ct, -st], [st, ct]]) @ np.diag([c[j, 0] + q[j], c[j, 0] - q[j]]))
        N[j, 2:4], N[j, 4] = s, E[j, 4] + math.atan2(u[1, 0], u[0, 0])
    return torch.from_numpy(N.astype(np.float32)).to(dev)


def read(net, ii, E, kind):
    """Three rounds, each the mean of a straight and a mirrored view. Ellipses and, of a frame, directions of the spine on the canvas."""
    idx, kd, spine = torch.from_numpy(ii).to(dev), torch.full((len(ii),), float(kind), device=dev), None
    back = torch.tensor([1, 1, -1, 1, -1.], device=dev)
    for _ in range(3):
        acc, spine = 0, 0
        for m in (1., -1.):
            mir = torch.full((len(ii),), m, device=dev)
            if FRAMED:
                o = net(frame_input(idx, E, mir, kd))
                c = frame_harmonics(o)
                s_ = o[:, 6:8] / o[:, 6:8].norm(dim=1, keepdim=True)
                spine = spine + unit(E, mir, s_[:, :1], s_[:, 1:])[:, 0]
            else:
                mu, w, _ = decode(net(polar_input(idx, E, mir, kd))[0], RHO, WRAP)
                c = harmonic_fit(mu, w, B)[1]
            acc = acc + (c * back if m < 0 else c) / 2
        E = moved(E, acc)
    return E, spine


make = (lambda d: FrameNet(d)) if FRAMED else (lambda d: PolarNet(3, g.widths, d))
net, ema = make(.1).to(dev).to(memory_format=torch.channels_last), make(0.).to(dev)
loop.train(net, ema, step_fn, f"{which} {fold}", steps, seconds, 1.2e-3 if FRAMED else 2e-3, .06, 2.0)
save(os.path.join(outdir, f"{which}{fold}.npz"), ema)

# a quick look at what was left out, from a shaken start
for name, sel, EE, kind in (("HC", hasH & (src == "HC18"), HE, 0), ("AC", hasA & ~made, AE, 1)):
    va = np.where(((P["fold"] == fold) if fold < 5 else (np.arange(len(src)) % 9 == 0)) & sel)[0]
    va = va[:6] if os.environ.get("TINY") else va
    if not len(va) or (kind and not NA):
        continue
    got, spine = [], []
    with torch.no_grad():
        torch.manual_seed(7)
        for i in range(0, len(va), 64):
            T = EE[torch.from_numpy(va[i:i + 64]).to(dev)]
            e, s_ = read(ema, va[i:i + 64], jitter(T, torch.ones(len(T), device=dev)), kind)
            got.append(e.cpu().numpy())
            spine.append(np.arctan2(s_[:, 1].cpu().numpy(), s_[:, 0].cpu().numpy()) if FRAMED else np.zeros(len(T)))
    got, spine = np.concatenate(got), np.concatenate(spine)
    per = lambda E: np.array([ellipse_perimeter(float(x[2]), float(x[3])) for x in E])
    T = P["head" if kind == 0 else "abd"][va]
    e = (per(got) / per(T) - 1) * (P["hc_mm"][va] if kind == 0 else 100)
    print(f"{which} {fold} {name} n {len(e)} bias {e.mean():.2f} SD {e.std():.2f} mean|e| {np.abs(e).mean():.3f} median {np.median(np.abs(e)):.3f} max {np.abs(e).max():.1f}", flush=True)
    if FRAMED and kind:
        d = np.rad2deg((spine - P["spine"][va] + np.pi) % (2 * np.pi) - np.pi)
        ok = ~np.isnan(d) & (P["spine_sure"][va] > 0)
        if ok.any():
            print(f"{which} {fold} spine n {ok.sum()} median {np.median(np.abs(d[ok])):.1f} within 30 deg {np.mean(np.abs(d[ok]) < 30):.2f} over 90 {np.mean(np.abs(d[ok]) > 90):.2f}", flush=True)

"""Train the refiner of femur ends for one fold.

The picture is straightened along a rough bone: 160 columns from -0.35 to 1.35 of its length, 32 rows across (+-0.15 of
the length). Two maps, softmax over the whole map: left end, right end. Global: log of the relative error of the length,
logit that this is a femur at all.
usage: train_ends.py PACK.npz OUT_DIR FOLD STEPS SECONDS [SEED]
"""
import os, sys
import numpy as np, torch
import torch.nn.functional as F
sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from common import *
from pictures import *
from round_net import PolarNet
import loop

W_, H_, T0, T1, A_ = 160, 32, -0.35, 1.35, 0.15
WIDTHS = (12, 24, 40, 56)
pack, outdir, fold, steps, seconds = sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]), float(sys.argv[5])
seed = int(sys.argv[6]) if len(sys.argv) > 6 else 1
torch.manual_seed(seed * 100 + fold + 70)
P, pictures = load(pack)
N = len(P["cls"])
SHARP, SOFT = sharp_and_soft(pictures)
wh = torch.from_numpy(P["wh"].astype(np.float32)).to(dev)
made = P["src"] == "phantom"
fem = P["fem"]
bones = [(i, k) for i in range(N) for k in range(2) if not np.isnan(fem[i, k, 0])]
bi = np.array([b[0] for b in bones])
be = np.array([fem[i, k][[0, 1, 4, 5]] for i, k in bones], np.float32)
sw = be[:, 0] > be[:, 2]
be[sw] = be[sw][:, [2, 3, 0, 1]]
bfold = P["fold"][bi]
G = Draw(np.where((bfold != fold) & ~made[bi])[0], np.where(made[bi])[0], np.where((P["fold"] != fold) & (P["cls"] != 2) & (P["known"][:, 2] > 0) & ~made)[0])
BI = torch.from_numpy(bi).to(dev)
BE = torch.from_numpy(be).to(dev)
tt = T0 + (torch.arange(W_, device=dev) + .5) / W_ * (T1 - T0)
aa = (torch.arange(H_, device=dev) + .5) / H_ * 2 * A_ - A_


def strip(idx, E, swap, blur=None, warp=None):
    """E (b,4): rough ends. swap: read it from the other end (+1 or -1); rows always run downwards in the picture."""
    a = torch.where(swap[:, None] > 0, E[:, :2], E[:, 2:])
    b = torch.where(swap[:, None] > 0, E[:, 2:], E[:, :2])
    v = b - a
    n = torch.stack([-v[:, 1], v[:, 0]], 1) * swap[:, None]
    g = a[:, None, None] + tt[None, None, :, None] * v[:, None, None] + aa[None, :, None, None] * n[:, None, None]
    if warp is not None:
        g = g + warp[..., None] * n[:, None, None]
    im, ins = look(SHARP, SOFT, idx, g, blur), inside(wh, idx, g)
    return im * ins, ins, a, v, n


def jitter(T, big):
    b = len(T)
    v = T[:, 2:] - T[:, :2]
    L = v.norm(dim=1)
    d = v / L[:, None]
    n = torch.stack([-d[:, 1], d[:, 0]], 1)
    E = T.clone()
    for k in (0, 2):
        al = torch.randn(b, device=dev) * (.05 + .08 * big) * L
        ac = torch.randn(b, device=dev) * (.015 + .015 * big) * L
        E[:, k:k + 2] += al[:, None] * d + ac[:, None] * n
    return E


def photometric(x):
    b, x = x.shape[0], tones(x)
    for _ in range(2):  # a shadow across the bone
        c, w, a = U(b, T0, T1)[:, None], U(b, .02, .12)[:, None], (hit(b, .25) * U(b, .3, .95))[:, None]
        x = x * (1 - a * torch.exp(-((tt[None] - c) / w) ** 4))[:, None, None]
    return x.clamp(0, 1.3)


def soft(out):
    b = out.shape[0]
    p = torch.softmax(out.reshape(b, 2, -1), -1).reshape(b, 2, H_, W_)
    t = (p.sum(2) * tt).sum(-1)
    a = (p.sum(3) * aa).sum(-1)
    return t, a, p


BP, BM, BN = (6, 2, 2) if os.environ.get("TINY") else (44, 4, 12)  # real bones, made-up ones, pictures without
BT = BP + BM


def step_fn(net):
    with torch.no_grad():
        pi = torch.cat([G.of(0, BP), G.of(1, BM)])
        T = BE[pi]
        E = jitter(T, hit(BT, .35))
        En = torch.stack([U(BN, 40, 200), U(BN, 50, 220), U(BN, 200, 360), U(BN, 50, 220)], 1)
        E, idx = torch.cat([E, En]), torch.cat([BI[pi], G.of(2, BN)])
        b = len(E)
        swap = 1 - 2 * hit(b, .5)
        bend = (torch.randn(b, device=dev) * .03)[:, None] * ((tt[None] - .5) ** 2 * 4 - .5)
        im, ins, a, v, n = strip(idx, E, swap, hit(b, .2), bend[:, None, :].expand(-1, H_, -1))
        x = torch.cat([photometric(im) * ins, ins], 1).contiguous(memory_format=torch.channels_last)
        # true ends in strip coordinates
        ends = torch.stack([torch.where(swap[:BT, None] > 0, T[:, :2], T[:, 2:]), torch.where(swap[:BT, None] > 0, T[:, 2:], T[:, :2])], 1)
        d = ends - a[:BT, None]
        L2 = (v[:BT] ** 2).sum(1)[:, None]
        te = (d * v[:BT, None]).sum(-1) / L2
        ae = (d * n[:BT, None]).sum(-1) / L2 - bend[:BT].gather(1, ((te - T0) / (T1 - T0) * W_).long().clamp(0, W_ - 1))
        Lt = te[:, 1] - te[:, 0]
    with torch.autocast(dev.type, dtype=torch.bfloat16, enabled=dev.type == "cuda"):
        out, g2 = net(x)
    out, g2 = out.float(), g2.float()
    t, al, p = soft(out[:BT])
    tgt = torch.exp(-((tt[None, None, None] - te[:, :, None, None]) / .014) ** 2 / 2 - ((aa[None, None, :, None] - ae[:, :, None, None]) / .014) ** 2 / 2)
    tgt = tgt / (tgt.sum((2, 3), keepdim=True) + 1e-6)
    inr = ((te > T0) & (te < T1) & (ae.abs() < A_)).float()
    ce = (-(tgt * torch.log(p + 1e-8)).sum((2, 3)) * inr).mean()
    lp = (F.smooth_l1_loss(t, te, beta=.02, reduction="none") * inr).mean() + .5 * (F.smooth_l1_loss(al, ae, beta=.02, reduction="none") * inr).mean()
    rel = ((t[:, 1] - t[:, 0]) - Lt) / Lt
    ok = inr.prod(1)
    ll = (F.smooth_l1_loss(rel, rel * 0, beta=.02, reduction="none") * ok).mean()
    ls = g2[:BT, 0].clamp(-6, 0)
    nll = ((rel.detach().abs().clamp(max=.5) * torch.exp(-ls) + ls) * ok).mean()
    lc = F.binary_cross_entropy_with_logits(g2[:, 1], torch.cat([torch.ones(BT, device=dev), torch.zeros(BN, device=dev)]))
    return .1 * ce + 8 * lp + 6 * ll + .02 * nll + .1 * lc, (ce, lp * 1e3, (rel.abs() * ok).mean() * 100, nll, lc)


net, ema = PolarNet(2, WIDTHS, .1).to(dev).to(memory_format=torch.channels_last), PolarNet(2, WIDTHS).to(dev)
loop.train(net, ema, step_fn, f"ends {fold}", steps, seconds, 2e-3, .06, 2.0)
save(os.path.join(outdir, f"ends{fold}.npz"), ema)
va = np.where((bfold == fold) if fold < 5 else (np.arange(len(be)) % 9 == 0) & ~made[bi])[0]
va = va[:6] if os.environ.get("TINY") else va
with torch.no_grad():
    T = BE[torch.from_numpy(va).to(dev)]
    idx = torch.from_numpy(bi[va]).to(dev)
    E = jitter(T, hit(len(T), .35))
    for it in range(3):
        new = 0
        for sw_ in (1., -1.):
            s_ = torch.full((len(T),), sw_, device=dev)
            im, ins, a, v, n = strip(idx, E, s_)
            out, g2 = ema(torch.cat([im, ins], 1))
            t, al, _ = soft(out)
            pts = a[:, None] + t[..., None] * v[:, None] + al[..., None] * n[:, None]
            new = new + (pts if sw_ > 0 else pts.flip(1)).reshape(len(T), 4) / 2
        E = new
    rel = 100 * ((E[:, 2:] - E[:, :2]).norm(dim=1) / (T[:, 2:] - T[:, :2]).norm(dim=1) - 1).cpu().numpy()
print(f"ends {fold} FL% n {len(rel)} bias {rel.mean():.2f} SD {rel.std():.2f} robust {1.4826 * np.median(np.abs(rel - np.median(rel))):.2f} median|e| {np.median(np.abs(rel)):.2f} max {np.abs(rel).max():.1f}", flush=True)

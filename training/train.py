"""Train the maps network for one fold.

usage: train.py PACK.npz OUT_DIR FOLD STEPS SECONDS [SEED]     FOLD 0-4 is left out; 5 trains on everything.
"""
import math, os, sys
import cv2, numpy as np, torch
import torch.nn.functional as F
sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from common import *
from pictures import *
from net import Net
import loop

pack, outdir, fold, steps, seconds = sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]), float(sys.argv[5])
seed = int(sys.argv[6]) if len(sys.argv) > 6 else 1
torch.manual_seed(seed * 100 + fold)
P, pictures = load(pack)
N = len(P["cls"])
X, _ = sharp_and_soft(pictures)
T = lambda k: torch.from_numpy(P[k].astype(np.float32)).to(dev)
cls = torch.from_numpy(P["cls"].astype(np.int64)).to(dev)
wh, headE, abdE, fem, known = T("wh"), T("head"), T("abd"), T("fem"), T("known")
src, c_np, kn = P["src"], P["cls"], P["known"]
made = src == "phantom"
train = (P["fold"] != fold) & ~made
SHARES, GROUPS = zip(
    (0.38, train & (src == "HC18")),
    (0.08, train & (c_np == 0) & (src != "HC18")),
    (0.18, train & (c_np == 1)),
    (0.17, train & (c_np == 2)),
    (0.07, train & (c_np == 3)),
    (0.02, train & (c_np == 4)),
    (0.02, train & (c_np == 5)),
    (0.03, train & (c_np == 6)),
    (0.02, made & (c_np == 0)),
    (0.01, made & (c_np == 1)),
    (0.02, made & (c_np == 2)))
G = Draw(*[np.where(m)[0] for m in GROUPS])
G.share(SHARES)

# overlay layers: letters, numbers, crosses, dotted lines and ellipses, tick marks: things a scanner burns in
def make_overlays(n):
    r = np.random.default_rng(7)
    L = np.zeros((n, IN_H, IN_W), np.uint8)
    for k in range(n):
        im = L[k]
        for _ in range(r.integers(0, 7)):
            txt = "".join(r.choice(list("ABCDEFGHIJKLMNOPRSTUVWXYZabcdefghiklmnoprstuvz0123456789./-: %")) for _ in range(r.integers(2, 14)))
            x = int(r.choice([r.integers(0, 60), r.integers(260, 350), r.integers(0, 380)]))
            cv2.putText(im, txt, (x, int(r.integers(5, 255))), cv2.FONT_HERSHEY_SIMPLEX, float(r.uniform(.18, .5)), int(r.integers(90, 255)), 1, cv2.LINE_AA)
        for _ in range(r.integers(0, 5)):
            x, y, q = r.integers(5, 379), r.integers(5, 251), r.integers(2, 6)
            v = int(r.integers(120, 255))
            cv2.line(im, (int(x - q), int(y)), (int(x + q), int(y)), v, 1)
            cv2.line(im, (int(x), int(y - q)), (int(x), int(y + q)), v, 1)
        if r.random() < .3:
            p, q = r.integers(5, 251, 2), r.integers(5, 251, 2)
            m = int(r.integers(10, 60))
            for t in np.linspace(0, 1, m):
                x, y = p + t * (q - p)
                im[int(y), int(x)] = 200
        if r.random() < .3:
            c = r.integers(60, 200, 2)
            a, b, th = r.uniform(20, 120), r.uniform(20, 120), r.uniform(0, 3.1)
            for t in np.linspace(0, 2 * np.pi, int(r.integers(30, 200))):
                x = c[0] + 60 + a * np.cos(t) * np.cos(th) - b * np.sin(t) * np.sin(th)
                y = c[1] + a * np.cos(t) * np.sin(th) + b * np.sin(t) * np.cos(th)
                if 0 <= x < IN_W and 0 <= y < IN_H:
                    im[int(y), int(x)] = 200
        if r.random() < .3:
            x = int(r.integers(0, 383))
            for y in range(int(r.integers(0, 10)), IN_H, int(r.integers(6, 24))):
                im[y, x:x + 3] = 180
        if r.random() < .2:
            im[5:60, :8] = np.linspace(250, 0, 55).astype(np.uint8)[:, None]
    return torch.from_numpy(L).to(dev).float() / 255


OV = make_overlays(256)


gy, gx = torch.meshgrid(torch.arange(IN_H, device=dev) + .5, torch.arange(IN_W, device=dev) + .5, indexing="ij")
base = torch.stack([gx, gy], -1)  # H W 2, network input continuous coordinates


def sample_grid(idx, augment):
    b = len(idx)
    w, h = wh[idx, 0], wh[idx, 1]
    fit = torch.minimum(IN_W / w, IN_H / h)
    if augment:
        s = fit * torch.exp(U(b, math.log(.68), math.log(1.2)))
        big = hit(b, .25)
        th = big * U(b, -math.pi, math.pi) + (1 - big) * U(b, -.45, .45)
        fx = 1 - 2 * hit(b, .5)
        fy = 1 - 2 * hit(b, .25)
        an = torch.exp(U(b, -.05, .05))
        tx, ty = U(b, -.13, .13) * IN_W, U(b, -.13, .13) * IN_H
    else:
        s, th, fx, fy, an, tx, ty = fit, fit * 0, fit * 0 + 1, fit * 0 + 1, fit * 0 + 1, fit * 0, fit * 0
    # input -> canvas: u = c + R diag(fx*an/s, fy/(an*s)) (p - centre - t)
    p = base[None] - torch.stack([IN_W / 2 + tx, IN_H / 2 + ty], -1)[:, None, None, :]
    x, y = p[..., 0] * (fx * an / s)[:, None, None], p[..., 1] * (fy / an / s)[:, None, None]
    c, sn = torch.cos(th)[:, None, None], torch.sin(th)[:, None, None]
    u = torch.stack([c * x - sn * y + (w / 2)[:, None, None], sn * x + c * y + (h / 2)[:, None, None]], -1)
    if augment:
        d = F.interpolate(torch.randn(b, 2, 4, 5, device=dev), size=(IN_H, IN_W), mode="bicubic", align_corners=False)
        amp = hit(b, .3) * U(b, 0, 1.5)
        u = u + d.permute(0, 2, 3, 1) * amp[:, None, None, None]
    return u, s


def take(idx, u):
    return look(X, X, idx, u)


def photometric(x):
    b = x.shape[0]
    v = lambda t: t[:, None, None, None]
    x = x.clamp(0, 1) ** v(torch.exp(U(b, -.55, .55)))
    x = x * v(torch.exp(U(b, -.5, .4))) + v(hit(b, .3) * U(b, 0, .12))
    n = torch.randn(b, 1, IN_H, IN_W, device=dev)
    k = F.avg_pool2d(n, 3, 1, 1) * 3
    n = torch.where(v(hit(b, .5)) > 0, k, n)
    x = x * (1 + n * v(hit(b, .6) * U(b, 0, .35)))
    x = x + torch.randn_like(x) * v(hit(b, .3) * U(b, 0, .05))
    for _ in range(2):  # acoustic shadows
        ph = U(b, 0, 2 * math.pi)
        t = (gx[None] - IN_W / 2) * torch.cos(ph)[:, None, None] + (gy[None] - IN_H / 2) * torch.sin(ph)[:, None, None]
        q = -(gx[None] - IN_W / 2) * torch.sin(ph)[:, None, None] + (gy[None] - IN_H / 2) * torch.cos(ph)[:, None, None]
        wd, t0, q0 = U(b, 6, 35)[:, None, None], U(b, -130, 130)[:, None, None], U(b, -80, 120)[:, None, None]
        a = (hit(b, .25) * U(b, .3, 1))[:, None, None]
        x = x * (1 - a * torch.exp(-((t - t0) / wd) ** 4) * torch.sigmoid((q - q0) / 8))[:, None]
    for _ in range(2):  # cut-outs
        cx, cy, hw, hh = U(b, 0, IN_W), U(b, 0, IN_H), U(b, 6, 40), U(b, 6, 40)
        m = ((gx[None] - cx[:, None, None]).abs() < hw[:, None, None]) & ((gy[None] - cy[:, None, None]).abs() < hh[:, None, None])
        on = hit(b, .15)[:, None, None] > 0
        val = U(b, 0, .5)[:, None, None]
        x = torch.where((m & on)[:, None], (val * hit(b, .3)[:, None, None])[:, None].expand_as(x), x)
    bl = F.avg_pool2d(x, 3, 1, 1)
    x = torch.where(v(hit(b, .25)) > 0, bl, x)
    ov = OV[torch.randint(0, len(OV), (b,), device=dev)]
    ov = torch.where(hit(b, .5)[:, None, None] > 0, ov.flip(2), ov)
    x = torch.maximum(x, (ov * hit(b, .45)[:, None, None])[:, None])
    return x.clamp(0, 1.3)


def ell_d(E, g, s):
    """Signed distance (inside positive) in map pixels to an ellipse given on the canvas; NaN ellipses give -99."""
    ok = ~torch.isnan(E[:, 0])
    E = torch.nan_to_num(E, nan=50.0)
    c, sn = torch.cos(E[:, 4])[:, None, None], torch.sin(E[:, 4])[:, None, None]
    dx, dy = g[..., 0] - E[:, 0, None, None], g[..., 1] - E[:, 1, None, None]
    x, y = c * dx + sn * dy, -sn * dx + c * dy
    a, b = E[:, 2, None, None], E[:, 3, None, None]
    f = torch.sqrt((x / a) ** 2 + (y / b) ** 2 + 1e-9)
    gr = torch.sqrt((x / a ** 2) ** 2 + (y / b ** 2) ** 2 + 1e-12) / f
    d = (1 - f) / gr * (s / 2)[:, None, None]
    return torch.where(ok[:, None, None], d.clamp(-40, 40), torch.full_like(d, -40.))


def seg_dist(g, p, q):
    v = q - p
    w_ = g - p[:, None, None]
    t = ((w_ * v[:, None, None]).sum(-1) / (v * v).sum(-1).clamp(min=1e-3)[:, None, None]).clamp(0, 1)
    return (w_ - t[..., None] * v[:, None, None]).norm(dim=-1)


def targets(idx, u, s):
    g = F.avg_pool2d(u.permute(0, 3, 1, 2), 2).permute(0, 2, 3, 1)
    dh, da = ell_d(headE[idx], g, s), ell_d(abdE[idx], g, s)
    df = torch.full_like(dh, -40.)
    te = torch.zeros_like(dh)
    sc = (s / 2)[:, None, None]
    for k in range(2):
        f = fem[idx, k]
        ok = ~torch.isnan(f[:, 0])
        f = torch.nan_to_num(f, nan=-500.)
        a, m, e = f[:, 0:2], f[:, 2:4], f[:, 4:6]
        L = (e - a).norm(dim=1)
        d = torch.minimum(seg_dist(g, a, m), seg_dist(g, m, e))
        r = (0.03 * L)[:, None, None]
        dk = (r - d) * sc + 1.2
        df = torch.where(ok[:, None, None], torch.maximum(df, dk), df)
        for p in (a, e):
            q = ((g - p[:, None, None]) ** 2).sum(-1) * sc ** 2
            te = torch.where(ok[:, None, None], torch.maximum(te, torch.exp(-q / (2 * 2.2 ** 2))), te)
    return dh, da, df, te


def synth(n):
    """Pictures that are nothing: black, noise at several scales, gradients, stripes, letters, blobs."""
    v = lambda t: t[:, None, None, None]
    scaled = lambda h, w, mode: F.interpolate(torch.rand(n, 1, h, w, device=dev), size=(IN_H, IN_W), mode=mode, align_corners=False)
    x, y = gx[None, None] / IN_W, gy[None, None] / IN_H
    kinds = [v(U(n, 0, .6)).expand(-1, 1, IN_H, IN_W),
             torch.rand(n, 1, IN_H, IN_W, device=dev) * v(U(n, .1, 1)),
             scaled(16, 24, "bilinear"), scaled(64, 96, "bilinear"),
             (x * v(U(n, -1, 1)) + y * v(U(n, -1, 1)) + v(U(n, 0, 1))).clamp(0, 1),
             .5 + .5 * torch.sin(gx[None, None] * v(U(n, -.5, .5)) + gy[None, None] * v(U(n, -.5, .5)) + v(U(n, 0, 6))),
             OV[torch.randint(0, len(OV), (n, 4), device=dev)].amax(1, keepdim=True),
             (scaled(6, 9, "bicubic") > v(U(n, .3, .7))).float() * v(U(n, .3, 1))]
    which, out = torch.randint(0, len(kinds), (n,), device=dev), torch.zeros(n, 1, IN_H, IN_W, device=dev)
    for k, z in enumerate(kinds):
        out = torch.where(v(which == k), z, out)
    return out


def loss_fn(out, logit, T4, kn_, c_):
    dh, da, df, te = T4
    L = 0
    parts = []
    for ch, d in ((0, dh), (1, da), (2, df)):
        z = out[:, ch]
        t = torch.sigmoid(d)
        w = 1 + 4 * torch.exp(-d.abs() / 3)
        w = torch.where(d <= -39, torch.ones_like(w) * 1.5, w)
        bce = (F.binary_cross_entropy_with_logits(z, t, reduction="none") * w).mean((1, 2))
        # near the outline the logit itself must be the distance
        near = ((d.abs() < 4).float() if ch < 2 else (d.abs() < 2).float())
        reg = (F.smooth_l1_loss(z, d.clamp(-6, 6), reduction="none", beta=1.0) * near).sum((1, 2)) / (near.sum((1, 2)) + 50)
        p = torch.sigmoid(z)
        dice = 1 - (2 * (p * t).sum((1, 2)) + 20) / (p.sum((1, 2)) + t.sum((1, 2)) + 20)
        k = kn_[:, ch]
        l = ((bce + .15 * reg + .5 * dice) * k).sum() / k.sum().clamp(min=1)
        L = L + l
        parts.append(l)
    z = out[:, 3]
    k = kn_[:, 2]
    e = (F.binary_cross_entropy_with_logits(z, te, reduction="none") * (1 + 20 * te)).mean((1, 2))
    le = (e * k).sum() / k.sum().clamp(min=1)
    lc = F.cross_entropy(logit, c_, label_smoothing=.03)
    return L + 2 * le + .25 * lc, parts + [le, lc]


B, NS = (6, 2) if os.environ.get("TINY") else (64, 2)
PAD = torch.full((NS, IN_H // 2, IN_W // 2), -40., device=dev)


def step_fn(net):
    idx = G.mixed(B - NS)
    with torch.no_grad():
        u, s = sample_grid(idx, True)
        x = torch.cat([photometric(take(idx, u)), synth(NS)]).contiguous(memory_format=torch.channels_last)
        T4 = [torch.cat([t, p]) for t, p in zip(targets(idx, u, s), (PAD, PAD, PAD, PAD * 0))]
        kn_ = torch.cat([known[idx], torch.ones(NS, 3, device=dev)])
        c_ = torch.cat([cls[idx], torch.full((NS,), 6, device=dev, dtype=torch.long)])
    with torch.autocast(dev.type, dtype=torch.bfloat16, enabled=dev.type == "cuda"):
        out, logit = net(x)
    return loss_fn(out.float(), logit.float(), T4, kn_, c_)


net, ema = Net().to(dev).to(memory_format=torch.channels_last), Net().to(dev)
loop.train(net, ema, step_fn, f"maps {fold}", steps, seconds, 3e-3, .02, 5.0)
save(os.path.join(outdir, f"maps{fold}.npz"), ema)

# a quick look: circumference error of a plain outline fit, region overlap, plane class, over what was left out
va = np.where(P["fold"] == fold)[0] if fold < 5 else np.arange(0, N, 9)
err, dice, cm = [], {0: [], 1: [], 2: []}, np.zeros((7, 7), int)
with torch.no_grad():
    for i0 in range(0, len(va), 32):
        ii = torch.from_numpy(va[i0:i0 + 32]).to(dev)
        u, s = sample_grid(ii, False)
        out, lg = ema(take(ii, u))
        T4 = targets(ii, u, s)
        pc = lg.argmax(1).cpu().numpy()
        for j, i in enumerate(va[i0:i0 + 32]):
            cm[int(P["cls"][i]), pc[j]] += 1
            for ch in range(3):
                t = T4[ch][j] > 0
                if t.any() and kn[i, ch]:
                    p = out[j, ch] > 0
                    dice[ch].append(float(2 * (t & p).sum() / (t.sum() + p.sum() + 1e-6)))
            if src[i] == "HC18":
                z = cv2.resize(out[j, 0].cpu().numpy(), None, fx=4, fy=4, interpolation=cv2.INTER_LINEAR)
                cs, _ = cv2.findContours((z > 0).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
                if not cs:
                    err.append(99.)
                    continue
                p = max(cs, key=len)[:, 0]
                if len(p) < 20:
                    err.append(99.)
                    continue
                _, (d1, d2), _ = cv2.fitEllipseDirect(p)
                k = 0.5 / float(s[j])  # quarter map pixel -> canvas
                hc = ellipse_perimeter((d1 / 2 + .5) * k, (d2 / 2 + .5) * k) / P["s"][i] * P["px_mm"][i]
                err.append(hc - P["hc_mm"][i])
err = np.array(err)
print(f"fold {fold} HC n {len(err)} bias {err.mean():.2f} mean|e| {np.abs(err).mean():.2f} median {np.median(np.abs(err)):.2f} p95 {np.percentile(np.abs(err), 95):.2f} max {np.abs(err).max():.1f}"
      f" dice head {np.mean(dice[0]):.4f} abd {np.mean(dice[1]):.4f} fem {np.mean(dice[2]):.4f}\n{cm}", flush=True)

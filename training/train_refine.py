"""Train the outline refiner for one fold for a fixed wall-clock time.

usage: train_refine.py PACK.npz OUT_DIR FOLD SECONDS [SEED]
"""
import math, os, sys, time
import cv2, numpy as np, torch
import torch.nn.functional as F
sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from common import *
from refine_net import *

pack, outdir, fold, seconds = sys.argv[1], sys.argv[2], int(sys.argv[3]), float(sys.argv[4])
seed = int(sys.argv[5]) if len(sys.argv) > 5 else 1
torch.set_num_threads(2)
dev = "cuda" if torch.cuda.is_available() else "cpu"
torch.manual_seed(seed * 100 + fold + 50)
rng = np.random.default_rng(seed * 100 + fold + 50)
if dev == "cuda":
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = False
    torch.backends.cudnn.allow_tf32 = True
t_start = time.time()
P = np.load(pack)
N = len(P["cls"])
imgs = np.zeros((N, CANVAS_H, CANVAS_W), np.uint8)
for i in range(N):
    imgs[i] = cv2.imdecode(P["blob"][P["off"][i]:P["off"][i + 1]], 0)
X = torch.from_numpy(imgs).to(dev).float().unsqueeze(1) / 255
X = X.half() if dev == "cuda" else X
X2 = F.avg_pool2d(X.float(), 3, 1, 1).to(X.dtype)
wh = torch.from_numpy(P["wh"].astype(np.float32)).to(dev)
HE = torch.from_numpy(P["head"]).to(dev)
AE = torch.from_numpy(P["abd"]).to(dev)
tr = P["fold"] != fold
hasH, hasA = ~np.isnan(P["head"][:, 0]), ~np.isnan(P["abd"][:, 0])
gH18 = np.where(tr & hasH & (P["src"] == "HC18"))[0]
gHo = np.where(tr & hasH & (P["src"] != "HC18"))[0]
gA = np.where(tr & hasA)[0]
gNegH = np.where(tr & np.isin(P["cls"], [1, 2, 3, 4, 5, 6]) & (P["known"][:, 0] > 0))[0]
gNegA = np.where(tr & np.isin(P["cls"], [0, 2, 3, 4, 5]))[0]
PHI = (torch.arange(-WRAP, NT + WRAP, device=dev) + .5) * (2 * math.pi / NT)
RHO = torch.linspace(R0, R1, NR, device=dev)


def U(b, lo, hi):
    return torch.rand(b, device=dev) * (hi - lo) + lo


def hit(b, p):
    return (torch.rand(b, device=dev) < p).float()


def rays(E, mir):
    """Directions of the rays of rough ellipses E (b,5): centre and full vectors (b, NT+2W, 2)."""
    ph = PHI[None] * mir[:, None]
    c, s = torch.cos(E[:, 4])[:, None], torch.sin(E[:, 4])[:, None]
    x, y = E[:, 2:3] * torch.cos(ph), E[:, 3:4] * torch.sin(ph)
    return torch.stack([c * x - s * y, s * x + c * y], -1)


def unroll(idx, E, mir, kind, blur=None, bend=None):
    v = rays(E, mir)
    g = E[:, None, None, :2] + RHO[None, :, None, None] * v[:, None] * (1 if bend is None else bend[:, None, :, None])
    gn = torch.stack([g[..., 0] / CANVAS_W * 2 - 1, g[..., 1] / CANVAS_H * 2 - 1], -1)
    im = F.grid_sample(X[idx].float(), gn, mode="bilinear", padding_mode="zeros", align_corners=False)
    if blur is not None:
        im2 = F.grid_sample(X2[idx].float(), gn, mode="bilinear", padding_mode="zeros", align_corners=False)
        im = torch.where(blur[:, None, None, None] > 0, im2, im)
    ins = ((g[..., 0] > 0) & (g[..., 0] < wh[idx, 0][:, None, None]) & (g[..., 1] > 0) & (g[..., 1] < wh[idx, 1][:, None, None])).float()[:, None]
    return im, ins, kind[:, None, None, None].expand_as(ins), v


def truth_on_rays(T, E, v):
    """Ray fraction at which each ray from the rough centre leaves the true ellipse."""
    c, s = torch.cos(T[:, 4])[:, None], torch.sin(T[:, 4])[:, None]
    ux, uy = (c * v[..., 0] + s * v[..., 1]) / T[:, 2:3], (-s * v[..., 0] + c * v[..., 1]) / T[:, 3:4]
    d = E[:, :2] - T[:, :2]
    ox, oy = ((c * d[:, 0:1] + s * d[:, 1:2]) / T[:, 2:3]), ((-s * d[:, 0:1] + c * d[:, 1:2]) / T[:, 3:4])
    A, B, C = ux * ux + uy * uy, ux * ox + uy * oy, ox * ox + oy * oy - 1
    return (-B + torch.sqrt((B * B - A * C).clamp(min=1e-6))) / A


def perim(E):
    a, b = E[:, 2], E[:, 3]
    h = ((a - b) / (a + b)) ** 2
    return math.pi * (a + b) * (1 + 3 * h / (10 + torch.sqrt(4 - 3 * h)))


def jitter(T, big):
    b = len(T)
    k = 1 + big
    R = (T[:, 2] + T[:, 3]) / 2
    E = T.clone()
    E[:, 0] += torch.randn(b, device=dev) * .035 * R * k
    E[:, 1] += torch.randn(b, device=dev) * .035 * R * k
    sc = torch.randn(b, device=dev) * .04 * k
    E[:, 2] *= torch.exp(sc + torch.randn(b, device=dev) * .025 * k)
    E[:, 3] *= torch.exp(sc + torch.randn(b, device=dev) * .025 * k)
    E[:, 4] += torch.randn(b, device=dev) * .06 * k + math.pi * hit(b, .5)
    return E


def photometric(x):
    b = x.shape[0]
    v = lambda t: t[:, None, None, None]
    x = x.clamp(1e-4, 1) ** v(torch.exp(U(b, -.6, .6)))
    x = x * v(torch.exp(U(b, -.5, .45))) + v(hit(b, .25) * U(b, 0, .08))
    n = torch.randn_like(x)
    n = torch.where(v(hit(b, .5)) > 0, F.avg_pool2d(n, 3, 1, 1) * 3, n)
    x = x * (1 + n * v(hit(b, .6) * U(b, 0, .35)))
    for _ in range(3):  # a sector in shadow
        p0, wd, a = U(b, -3.5, 9.8)[:, None], U(b, .05, .5)[:, None], (hit(b, .3) * U(b, .3, 1))[:, None]
        q0 = U(b, .3, 1.3)[:, None, None]
        sh = (a * torch.exp(-((PHI[None] - p0) / wd) ** 4))[:, None, :] * torch.sigmoid((RHO[None, :, None] - q0) * 12)
        x = x * (1 - sh)[:, None]
    for _ in range(3):  # patches cut out or smeared over
        p0, r0, wd, ht = U(b, -.5, 6.8)[:, None, None], U(b, .5, 1.5)[:, None, None], U(b, .05, .35)[:, None, None], U(b, .03, .2)[:, None, None]
        m = ((PHI[None, None, :] - p0).abs() < wd) & ((RHO[None, :, None] - r0).abs() < ht) & (hit(b, .3)[:, None, None] > 0)
        x = torch.where(m[:, None], (U(b, 0, .6) * hit(b, .5))[:, None, None, None].expand_as(x), x)
    return x.clamp(0, 1.3)


net = Refine(drop=.1).to(dev).to(memory_format=torch.channels_last)
ema = Refine().to(dev)
ema.load_state_dict(net.state_dict())
decay, nodecay = [], []
for _, p in net.named_parameters():
    (decay if p.ndim > 1 else nodecay).append(p)
opt = torch.optim.AdamW([dict(params=decay, weight_decay=.06), dict(params=nodecay, weight_decay=0.)], lr=2e-3)
BH, BO, BA, BN = 40, 8, 16, 12
if not len(gHo):
    BH, BO = 48, 0
step, t0 = 0, time.time()
budget = seconds - (t0 - t_start)
kind = torch.cat([torch.zeros(BH + BO), torch.ones(BA), (torch.arange(BN) % 2).float()]).to(dev)
pos = BH + BO + BA
pick = lambda g, n: g[rng.integers(len(g), size=n)]
run = None
while True:
    f = (time.time() - t0) / budget
    if f >= 1:
        break
    lr = 2e-3 * min(1, (step + 1) / 300) * (.5 + .5 * math.cos(math.pi * f)) + 5e-6
    for g in opt.param_groups:
        g["lr"] = lr
    ng = np.where(np.arange(BN) % 2 == 0, pick(gNegH, BN), pick(gNegA, BN))
    ii = np.concatenate([pick(gH18, BH), pick(gHo, BO) if BO else np.zeros(0, int), pick(gA, BA), ng])
    idx = torch.from_numpy(ii).to(dev)
    with torch.no_grad():
        T = torch.cat([HE[idx[:BH + BO]], AE[idx[BH + BO:pos]]])
        E = jitter(T, hit(pos, .3))
        En = torch.stack([U(BN, 80, 320), U(BN, 60, 210), U(BN, 40, 150), U(BN, 40, 120), U(BN, 0, 6.28)], 1)
        E = torch.cat([E, En])
        b = len(E)
        mir = 1 - 2 * hit(b, .5)
        bend = 1 + sum((hit(b, .5) * torch.randn(b, device=dev) * .012)[:, None] * torch.cos(k * PHI[None] + U(b, 0, 6.28)[:, None]) for k in (1, 2, 3, 4, 5))
        im, ins, kd, v = unroll(idx, E, mir, kind, hit(b, .2), bend)
        x = torch.cat([photometric(im) * ins, ins, kd], 1).contiguous(memory_format=torch.channels_last)
        r = (truth_on_rays(T, E[:pos], v[:pos]) / bend[:pos])[:, WRAP:WRAP + NT]
        r_ell, _ = harmonic_fit(r, torch.ones_like(r), PHI[WRAP:WRAP + NT])
        arc = v[:pos, WRAP:WRAP + NT].norm(dim=-1)
        rel = arc / arc.mean(1, keepdim=True)
    net.train()
    with torch.autocast(dev, dtype=torch.bfloat16, enabled=dev == "cuda"):
        out, g2 = net(x)
    out, g2 = out.float(), g2.float()
    mu, w, p = decode(out[:pos])
    fit, _ = harmonic_fit(mu, w, PHI[WRAP:WRAP + NT])
    tgt = torch.exp(-((RHO[None, :, None] - r[:, None, :]) ** 2) / (2 * .015 ** 2))
    tgt = tgt / (tgt.sum(1, keepdim=True) + 1e-6)
    inr = ((r > R0) & (r < R1)).float()
    ce = (-(tgt * torch.log(p + 1e-7)).sum(1) * inr).mean()
    d_fit = (fit - r_ell) * rel
    l_fit = F.smooth_l1_loss(d_fit, torch.zeros_like(d_fit), beta=.01)
    hc = (d_fit * rel).mean(1) / (rel * rel).mean()
    l_hc = F.smooth_l1_loss(hc, torch.zeros_like(hc), beta=.005)
    ls = g2[:pos, 0].clamp(-7, 0)
    l_nll = (hc.detach().abs() * torch.exp(-ls) + ls).mean()
    l_cls = F.binary_cross_entropy_with_logits(g2[:, 1], torch.cat([torch.ones(pos, device=dev), torch.zeros(BN, device=dev)]))
    L = .1 * ce + 20 * l_fit + 20 * l_hc + .02 * l_nll + .1 * l_cls
    opt.zero_grad(set_to_none=True)
    L.backward()
    torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
    opt.step()
    step += 1
    with torch.no_grad():
        m = min(.9995, 1 - 1 / (step + 1)) if step < 2000 else .9995
        torch._foreach_mul_(list(ema.parameters()), m)
        torch._foreach_add_(list(ema.parameters()), list(net.parameters()), alpha=1 - m)
        for a_, b_ in zip(ema.buffers(), net.buffers()):
            if a_.dtype.is_floating_point:
                a_.lerp_(b_, 1 - m)
            else:
                a_.copy_(b_)
    if step % 50 == 0:
        v_ = np.array([float(q) for q in (ce, l_fit * 1e3, hc[:BH + BO].abs().mean() * 100, hc[BH + BO:].abs().mean() * 100, l_nll, l_cls)])
        run = v_ if run is None else .9 * run + .1 * v_
    if step in (5, 50, 500) or step % 2000 == 0:
        print(f"refine {fold} step {step} t {time.time() - t0:.0f} lr {lr:.5f} ce/fit/hc%/ac%/nll/cls {np.round(run, 3) if run is not None else ''}", flush=True)
print(f"refine {fold} done {step} steps, {sum(p.numel() for p in net.parameters())} parameters, {time.time() - t0:.0f} s", flush=True)
ema.eval()
os.makedirs(outdir, exist_ok=True)
np.savez(os.path.join(outdir, f"refine{fold}.npz"), **{f"{n}.{k}": a for n, w, b in ema.folded() for k, a in (("w", w), ("b", b))})

# a quick look on what was left out, from a jittered start: circumference error, two rounds, both mirror views
for name, sel, EE, kd0 in (("HC", hasH & (P["src"] == "HC18"), HE, 0.), ("HC other", hasH & (P["src"] != "HC18"), HE, 0.), ("AC", hasA, AE, 1.)):
    va = np.where(((P["fold"] == fold) if fold < 5 else (np.arange(N) % 9 == 0)) & sel)[0]
    if not len(va):
        continue
    es, sd = [], []
    with torch.no_grad():
        for i0 in range(0, len(va), 64):
            idx = torch.from_numpy(va[i0:i0 + 64]).to(dev)
            T = EE[idx]
            E = jitter(T, hit(len(T), .3) * 0)
            for it in range(3):
                mus = 0
                for mr in (1., -1.):
                    mir = torch.full((len(T),), mr, device=dev)
                    im, ins, kd, v = unroll(idx, E, mir, torch.full((len(T),), kd0, device=dev))
                    out, g2 = ema(torch.cat([im * ins, ins, kd], 1))
                    mu, w, _ = decode(out)
                    fit, c = harmonic_fit(mu, w, PHI[WRAP:WRAP + NT])
                    if mr < 0:
                        c = c * torch.tensor([1, 1, -1, 1, -1.], device=dev)
                    mus = mus + c / 2
                c = mus
                # first order back to an ellipse: shift, axes, turn
                a, b = E[:, 2], E[:, 3]
                cs, sn = torch.cos(E[:, 4]), torch.sin(E[:, 4])
                dx, dy = a * c[:, 1], b * c[:, 2]
                En = E.clone()
                En[:, 0] += cs * dx - sn * dy
                En[:, 1] += sn * dx + cs * dy
                al, be, ga = c[:, 0], c[:, 3], c[:, 4]
                # unit-circle ellipse with semi-axes al+q, al-q turned by t, mapped through diag(a,b)
                q, t = torch.sqrt(be ** 2 + ga ** 2), .5 * torch.atan2(ga, be)
                for j in range(len(T)):
                    ct, st = math.cos(float(t[j])), math.sin(float(t[j]))
                    M = np.diag([float(a[j]), float(b[j])]) @ np.array([[ct, -st], [st, ct]]) @ np.diag([float(al[j] + q[j]), float(al[j] - q[j])])
                    u_, s_, _ = np.linalg.svd(M)
                    En[j, 2], En[j, 3] = float(s_[0]), float(s_[1])
                    En[j, 4] = E[j, 4] + math.atan2(u_[1, 0], u_[0, 0])
                E = En
            e = (perim(E) / perim(T) - 1).cpu().numpy()
            k = P["px_mm"][va[i0:i0 + 64]] / P["s"][va[i0:i0 + 64]] * perim(T).cpu().numpy() if name == "HC" else 100.
            es.append(e * k)
            sd.append(np.exp(g2[:, 0].cpu().numpy()) * k)
    es, sd = np.concatenate(es), np.concatenate(sd)
    print(f"refine {fold} {name} n {len(es)} bias {es.mean():.2f} SD {es.std():.2f} mean|e| {np.abs(es).mean():.3f} median {np.median(np.abs(es)):.3f} p95 {np.percentile(np.abs(es), 95):.2f} max {np.abs(es).max():.1f}"
          f" mean laplace scale {sd.mean():.2f} corr {np.corrcoef(np.abs(es), sd)[0, 1]:.2f}", flush=True)

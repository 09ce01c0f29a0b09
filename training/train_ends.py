"""Train the refiner of femur ends for one fold for a fixed wall-clock time.

The picture is straightened along a rough bone: 160 columns from -0.35 to 1.35 of its length, 32 rows across (+-0.15 of
the length). Two maps, softmax over the whole map: left end, right end. Global: log of the relative error of the length,
logit that this is a femur at all.
usage: train_ends.py PACK.npz OUT_DIR FOLD SECONDS [SEED]
"""
import math, os, sys, time
import cv2, numpy as np, torch
import torch.nn.functional as F
sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from common import *
from refine_net import Refine

W_, H_, T0, T1, A_ = 160, 32, -0.35, 1.35, 0.15
WIDTHS = (12, 24, 40, 56)
pack, outdir, fold, seconds = sys.argv[1], sys.argv[2], int(sys.argv[3]), float(sys.argv[4])
seed = int(sys.argv[5]) if len(sys.argv) > 5 else 1
torch.set_num_threads(2)
dev = "cuda" if torch.cuda.is_available() else "cpu"
torch.manual_seed(seed * 100 + fold + 70)
rng = np.random.default_rng(seed * 100 + fold + 70)
if dev == "cuda":
    torch.backends.cudnn.benchmark = True
t_start = time.time()
P = np.load(pack)
N = len(P["cls"])
imgs = np.zeros((N, CANVAS_H, CANVAS_W), np.uint8)
for i in range(N):
    imgs[i] = cv2.imdecode(P["blob"][P["off"][i]:P["off"][i + 1]], 0)
X = torch.from_numpy(imgs).to(dev).float().unsqueeze(1) / 255
X2 = F.avg_pool2d(X, 3, 1, 1)
X = X.half() if dev == "cuda" else X
X2 = X2.to(X.dtype)
wh = torch.from_numpy(P["wh"].astype(np.float32)).to(dev)
fem = P["fem"]
bones = [(i, k) for i in range(N) for k in range(2) if not np.isnan(fem[i, k, 0])]
bi = np.array([b[0] for b in bones])
be = np.array([fem[i, k][[0, 1, 4, 5]] for i, k in bones], np.float32)
sw = be[:, 0] > be[:, 2]
be[sw] = be[sw][:, [2, 3, 0, 1]]
bfold = P["fold"][bi]
gP = np.where(bfold != fold)[0]
gN = np.where((P["fold"] != fold) & (P["cls"] != 2) & (P["known"][:, 2] > 0))[0]
BE = torch.from_numpy(be).to(dev)
tt = T0 + (torch.arange(W_, device=dev) + .5) / W_ * (T1 - T0)
aa = (torch.arange(H_, device=dev) + .5) / H_ * 2 * A_ - A_


def U(b, lo, hi):
    return torch.rand(b, device=dev) * (hi - lo) + lo


def hit(b, p):
    return (torch.rand(b, device=dev) < p).float()


def strip(idx, E, swap, blur=None, warp=None):
    """E (b,4): rough ends. swap: read it from the other end (+1 or -1); rows always run downwards in the picture."""
    a = torch.where(swap[:, None] > 0, E[:, :2], E[:, 2:])
    b = torch.where(swap[:, None] > 0, E[:, 2:], E[:, :2])
    v = b - a
    n = torch.stack([-v[:, 1], v[:, 0]], 1) * swap[:, None]
    g = a[:, None, None] + tt[None, None, :, None] * v[:, None, None] + aa[None, :, None, None] * n[:, None, None]
    if warp is not None:
        g = g + warp[..., None] * n[:, None, None]
    gn = torch.stack([g[..., 0] / CANVAS_W * 2 - 1, g[..., 1] / CANVAS_H * 2 - 1], -1)
    im = F.grid_sample(X[idx].float(), gn, mode="bilinear", padding_mode="zeros", align_corners=False)
    if blur is not None:
        im = torch.where(blur[:, None, None, None] > 0, F.grid_sample(X2[idx].float(), gn, mode="bilinear", padding_mode="zeros", align_corners=False), im)
    ins = ((g[..., 0] > 0) & (g[..., 0] < wh[idx, 0][:, None, None]) & (g[..., 1] > 0) & (g[..., 1] < wh[idx, 1][:, None, None])).float()[:, None]
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
    b = x.shape[0]
    v = lambda t: t[:, None, None, None]
    x = x.clamp(1e-4, 1) ** v(torch.exp(U(b, -.6, .6)))
    x = x * v(torch.exp(U(b, -.5, .45))) + v(hit(b, .3) * U(b, 0, .1))
    n = torch.randn_like(x)
    n = torch.where(v(hit(b, .5)) > 0, F.avg_pool2d(n, 3, 1, 1) * 3, n)
    x = x * (1 + n * v(hit(b, .6) * U(b, 0, .35)))
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


net = Refine(2, WIDTHS, .1).to(dev).to(memory_format=torch.channels_last)
ema = Refine(2, WIDTHS).to(dev)
ema.load_state_dict(net.state_dict())
decay, nodecay = [], []
for _, p in net.named_parameters():
    (decay if p.ndim > 1 else nodecay).append(p)
opt = torch.optim.AdamW([dict(params=decay, weight_decay=.06), dict(params=nodecay, weight_decay=0.)], lr=2e-3)
BP, BN = 48, 12
step, t0 = 0, time.time()
budget = seconds - (t0 - t_start)
run = None
while True:
    f = (time.time() - t0) / budget
    if f >= 1:
        break
    lr = 2e-3 * min(1, (step + 1) / 300) * (.5 + .5 * math.cos(math.pi * f)) + 5e-6
    for g in opt.param_groups:
        g["lr"] = lr
    pi = gP[rng.integers(len(gP), size=BP)]
    ni = gN[rng.integers(len(gN), size=BN)]
    with torch.no_grad():
        T = BE[torch.from_numpy(pi).to(dev)]
        E = jitter(T, hit(BP, .35))
        En = torch.stack([U(BN, 40, 200), U(BN, 50, 220), U(BN, 200, 360), U(BN, 50, 220)], 1)
        E = torch.cat([E, En])
        idx = torch.from_numpy(np.concatenate([bi[pi], ni])).to(dev)
        b = len(E)
        swap = 1 - 2 * hit(b, .5)
        bend = (torch.randn(b, device=dev) * .03)[:, None] * ((tt[None] - .5) ** 2 * 4 - .5)
        im, ins, a, v, n = strip(idx, E, swap, hit(b, .2), bend[:, None, :].expand(-1, H_, -1))
        x = torch.cat([photometric(im) * ins, ins], 1).contiguous(memory_format=torch.channels_last)
        # true ends in strip coordinates
        ends = torch.stack([torch.where(swap[:BP, None] > 0, T[:, :2], T[:, 2:]), torch.where(swap[:BP, None] > 0, T[:, 2:], T[:, :2])], 1)
        d = ends - a[:BP, None]
        L2 = (v[:BP] ** 2).sum(1)[:, None]
        te = (d * v[:BP, None]).sum(-1) / L2
        ae = (d * n[:BP, None]).sum(-1) / L2 - (torch.randn(1, device=dev) * 0 + bend[:BP].gather(1, ((te - T0) / (T1 - T0) * W_).long().clamp(0, W_ - 1)))
        Lt = (te[:, 1] - te[:, 0])
    net.train()
    with torch.autocast(dev, dtype=torch.bfloat16, enabled=dev == "cuda"):
        out, g2 = net(x)
    out, g2 = out.float(), g2.float()
    t, al, p = soft(out[:BP])
    tgt = torch.exp(-((tt[None, None, None] - te[:, :, None, None]) / .014) ** 2 / 2 - ((aa[None, None, :, None] - ae[:, :, None, None]) / .014) ** 2 / 2)
    tgt = tgt / (tgt.sum((2, 3), keepdim=True) + 1e-6)
    inr = ((te > T0) & (te < T1) & (ae.abs() < A_)).float()
    ce = (-(tgt * torch.log(p + 1e-8)).sum((2, 3)) * inr).mean()
    lp = (F.smooth_l1_loss(t, te, beta=.02, reduction="none") * inr).mean() + .5 * (F.smooth_l1_loss(al, ae, beta=.02, reduction="none") * inr).mean()
    rel = ((t[:, 1] - t[:, 0]) - Lt) / Lt
    ok = inr.prod(1)
    ll = (F.smooth_l1_loss(rel, rel * 0, beta=.02, reduction="none") * ok).mean()
    ls = g2[:BP, 0].clamp(-6, 0)
    nll = ((rel.detach().abs().clamp(max=.5) * torch.exp(-ls) + ls) * ok).mean()
    lc = F.binary_cross_entropy_with_logits(g2[:, 1], torch.cat([torch.ones(BP, device=dev), torch.zeros(BN, device=dev)]))
    L = .1 * ce + 8 * lp + 6 * ll + .02 * nll + .1 * lc
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
        v_ = np.array([float(q) for q in (ce, lp * 1e3, (rel.abs() * ok).mean() * 100, nll, lc)])
        run = v_ if run is None else .9 * run + .1 * v_
    if step in (5, 50) or step % 2000 == 0:
        print(f"ends {fold} step {step} t {time.time() - t0:.0f} ce/pos/len%/nll/cls {np.round(run, 3) if run is not None else ''}", flush=True)
print(f"ends {fold} done {step} steps, {sum(p.numel() for p in net.parameters())} parameters, {time.time() - t0:.0f} s", flush=True)
ema.eval()
os.makedirs(outdir, exist_ok=True)
np.savez(os.path.join(outdir, f"ends{fold}.npz"), **{f"{n}.{k}": q for n, w, b in ema.folded() for k, q in (("w", w), ("b", b))})
va = np.where(bfold == fold)[0] if fold < 5 else np.arange(0, len(be), 9)
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

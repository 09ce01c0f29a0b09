"""The training loop that all networks share: AdamW, cosine rate, averaged weights.

A step draws its own pictures on the device and returns (loss, parts). On a GPU the whole step is recorded once as a CUDA graph and
replayed: the networks are small, and would otherwise wait for Python (about three times slower).
"""
import math, time
import torch


def train(net, ema, step_fn, name, steps, seconds, lr, wd, clip, warm=300, keep_most=.9995):
    """Trains net for so many steps, or for so many seconds if that is less; ema becomes the running mean of its weights."""
    dev = next(net.parameters()).device
    cuda = dev.type == "cuda"
    ema.load_state_dict(net.state_dict())
    decay, nodecay = [], []
    for p in net.parameters():
        (decay if p.ndim > 1 else nodecay).append(p)
    rate, share = torch.zeros((), device=dev), torch.zeros((), device=dev)
    opt = torch.optim.AdamW([dict(params=decay, weight_decay=wd), dict(params=nodecay, weight_decay=0.)], lr=rate if cuda else lr,
                            **(dict(capturable=True, fused=True) if cuda else {}))
    for p in ema.parameters():
        p.requires_grad_(False)
    pairs = list(zip(ema.parameters(), net.parameters()))
    pairs += [(a, b) for a, b in zip(ema.buffers(), net.buffers()) if a.dtype.is_floating_point]
    net.train()

    def one():
        opt.zero_grad(set_to_none=True)
        loss, parts = step_fn(net)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), clip)
        opt.step()
        with torch.no_grad():
            for a, b in pairs:
                a.lerp_(b, share)
        return torch.stack([q.detach().float() for q in parts])

    def set_rate(step, f):
        r = lr * min(1, (step + 1) / warm) * (.5 + .5 * math.cos(math.pi * f)) + lr / 300
        rate.fill_(r)
        if not cuda:
            for g in opt.param_groups:
                g["lr"] = r
        share.fill_(1 - (min(keep_most, 1 - 1 / (step + 1)) if step < 2000 else keep_most))

    t0, step, mean, graph = time.time(), 0, None, None
    if cuda:
        side = torch.cuda.Stream()
        side.wait_stream(torch.cuda.current_stream())
        with torch.cuda.stream(side):
            for step in range(4):
                set_rate(step, 0)
                one()
        torch.cuda.current_stream().wait_stream(side)
        graph = torch.cuda.CUDAGraph()
        opt.zero_grad(set_to_none=True)
        with torch.cuda.graph(graph):
            shown = one()
    while True:
        f = max(step / steps, (time.time() - t0) / seconds)
        if f >= 1:
            break
        set_rate(step, f)
        if graph:
            graph.replay()
        else:
            shown = one()
        step += 1
        if step % 50 == 0:
            v = shown.cpu().numpy()
            mean = v.copy() if mean is None else .9 * mean + .1 * v
        if step in (50, 500) or step % 2000 == 0:
            print(f"{name} step {step} t {time.time() - t0:.0f} parts {[round(float(x), 4) for x in mean]}", flush=True)
    print(f"{name} done {step} steps, {sum(p.numel() for p in net.parameters())} parameters, {time.time() - t0:.0f} s,"
          f" parts {[round(float(x), 4) for x in mean] if mean is not None else None}", flush=True)
    ema.eval()
